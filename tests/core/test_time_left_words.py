"""How much longer it takes, as people are told: round figures that stand still, and their words."""

import itertools
import math
from random import Random

import pytest

from daq.trials.stages import RUNNING, Stage
from daq.wording import (
    Urgency,
    instruction,
    shown_seconds_left,
    time_left,
    without_seconds,
)


def shown(
    left_s: float, before_s: float | None = None, *, at_most_s: float = math.inf
) -> float:
    return shown_seconds_left(left_s, shown_s=before_s, at_most_s=at_most_s)


def told(stage: Stage, seconds_left: float | None, hindrance: str | None = None) -> str:
    text, urgency = instruction(
        stage,
        "Fit the fine filter",
        by_key=False,
        switch_off_first=False,
        seconds_left=seconds_left,
        hindrance=hindrance,
    )
    if stage in RUNNING and hindrance is None:
        assert urgency is Urgency.WAIT
    return text


# ---- figures


@pytest.mark.parametrize(
    ("left_s", "figure_s"),
    # The nearest whole step: 5 s below one minute, 15 s below three, half a minute from there on.
    [
        *((5.1, 5.0), (12.4, 10.0), (12.6, 15.0), (41.0, 40.0), (58.0, 60.0)),
        *((60.0, 60.0), (67.0, 60.0), (68.0, 75.0), (100.0, 105.0), (172.0, 165.0)),
        *((180.0, 180.0), (194.0, 180.0), (196.0, 210.0), (1000.0, 990.0)),
    ],
)
def test_what_is_told_is_a_round_figure(left_s: float, figure_s: float) -> None:
    assert shown(left_s) == figure_s


@pytest.mark.parametrize("left_s", [0.0, 0.1, 2.0, 5.0])
def test_the_last_five_seconds_are_any_moment_now(left_s: float) -> None:
    assert shown(left_s) == shown(left_s, 10.0) == 0.0
    assert time_left(shown(left_s)) == "any moment now"


@pytest.mark.parametrize(
    ("figure_s", "wander_s"), [(40.0, 3.7), (120.0, 11.0), (300.0, 22.0)]
)
def test_an_estimate_that_wanders_a_little_moves_no_digit(
    figure_s: float, wander_s: float
) -> None:
    random = Random(1)  # noqa: S311 - an estimate's noise, no secret
    told_s = shown(figure_s)
    for _ in range(200):
        told_s = shown(figure_s + random.uniform(-wander_s, wander_s), told_s)
        assert told_s == figure_s


def test_any_moment_now_is_not_taken_back_for_a_few_seconds() -> None:
    assert shown(8.0, 0.0) == 0.0
    assert shown(11.0, 0.0) == 10.0


def test_an_estimate_that_runs_down_is_told_step_by_step_and_never_upwards() -> None:
    told_s: list[float] = []
    for left_s in range(300, 0, -1):
        told_s.append(shown(float(left_s), told_s[-1] if told_s else None))
        # Three quarters of a step of 30 s at the most.
        assert abs(told_s[-1] - left_s) <= 22.5
    assert all(b <= a for a, b in itertools.pairwise(told_s))
    assert [s for s, _ in itertools.groupby(told_s)] == [
        *(300.0, 270.0, 240.0, 210.0, 180.0, 165.0, 150.0, 135.0, 120.0, 105.0, 90.0),
        *(75.0, 60.0, *(5.0 * n for n in range(11, 0, -1)), 0.0),
    ]


@pytest.mark.parametrize("before_s", [None, 40.0, 300.0])
def test_nothing_longer_than_what_is_left_of_the_trial_is_told(
    before_s: float | None,
) -> None:
    for at_most_s in (0.0, 3.0, 9.9, 38.0, 59.0, 74.0, 179.0, 200.0):
        for left_s in (1.0, 20.0, 39.0, 60.0, 1000.0):
            assert shown(left_s, before_s, at_most_s=at_most_s) <= at_most_s


# ---- words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (5.0, "about 5 s more"),
        (40.0, "about 40 s more"),
        (60.0, "about 1 min more"),
        (75.0, "about 1¼ min more"),
        (90.0, "about 1½ min more"),
        (105.0, "about 1¾ min more"),
        (120.0, "about 2 min more"),
        (750.0, "about 12½ min more"),
    ],
)
def test_a_figure_is_told_in_seconds_then_in_minutes(
    seconds: float, words: str
) -> None:
    assert time_left(seconds) == words


@pytest.mark.parametrize("stage", [Stage.SETTLING, Stage.AVERAGING])
def test_the_instruction_says_how_much_longer_where_that_is_known(stage: Stage) -> None:
    assert told(stage, 40.0) == "Keep it running, about 40 s more."
    assert told(stage, 90.0) == "Keep it running, about 1½ min more."
    assert told(stage, 0.0) == "Keep it running, ready any moment now."
    assert "about" not in told(stage, None)
    assert "moment" not in told(stage, None)


@pytest.mark.parametrize(
    "stage", sorted(set(Stage) - {Stage.SETTLING, Stage.AVERAGING})
)
def test_no_other_stage_counts(stage: Stage) -> None:
    assert told(stage, 40.0) == told(stage, None)


@pytest.mark.parametrize("stage", [Stage.SETTLING, Stage.AVERAGING])
def test_whoever_is_told_of_changes_only_hears_no_count(stage: Stage) -> None:
    counts = [shown(float(s)) for s in range(600)]
    assert {without_seconds(told(stage, s)) for s in counts} == {"Keep it running."}
