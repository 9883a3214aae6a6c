"""Readings are asked for one by one, far enough apart, spread over the window, at times that beat with nothing."""

import math
from itertools import pairwise

import pytest

from daq.typed import LEAST_READINGS, Asking, Askings
from daq.typed.askings import (
    ANSWER_WITHIN_S,
    LEAST_GAP_S,
    LEAST_PACE_S,
    least_averaging_s,
)

ANSWER_S = 4.0


def asked_s(
    seed: str,
    *,
    channels: tuple[str, ...] = ("velocity",),
    span_s: float = 60.0,
    count: int = LEAST_READINGS,
) -> list[tuple[float, str]]:
    """When what was asked for, each answered after some seconds."""
    askings = Askings(channels, seed=seed)
    askings.begin(0.0, span_s=span_s)
    counts = dict.fromkeys(channels, 0)
    found: list[tuple[float, str]] = []
    tenths = 0
    while len(found) < count * len(channels):
        now_s = tenths / 10.0
        askings.tick(now_s, counts)
        asking = askings.open
        if asking is not None and now_s - asking.since_s >= ANSWER_S:
            found.append((asking.since_s, asking.channel))
            counts[asking.channel] += 1
            askings.put_off(now_s)
        tenths += 1
    return found


def asked(askings: Askings) -> Asking | None:
    """What is asked for; a function, so that a type checker asks again."""
    return askings.open


def test_the_same_trial_is_asked_at_the_same_times_and_another_at_others() -> None:
    assert asked_s("trial-1") == asked_s("trial-1")
    assert asked_s("trial-1") != asked_s("trial-2")


def test_between_two_askings_there_is_time_to_read_and_to_type() -> None:
    for seed in range(50):
        times = [at_s for at_s, _ in asked_s(f"{seed}")]
        gaps = [b - a for a, b in pairwise(times)]
        assert min(gaps) >= LEAST_GAP_S - 1e-9


def test_five_readings_are_spread_over_the_window() -> None:
    spans = [asked_s(f"{s}", span_s=120.0) for s in range(100)]
    lasted = sorted(each[-1][0] - each[0][0] for each in spans)
    # Four gaps of 24 s in the mean.
    assert 80.0 < sum(lasted) / len(lasted) < 112.0
    assert lasted[5] > 48.0


@pytest.mark.slow
@pytest.mark.parametrize(("channels", "longer"), [(1, 1.0), (1, 2.5), (3, 1.0)])
def test_in_nearly_every_trial_all_readings_come_within_the_time_stated(
    channels: int, longer: float
) -> None:
    names = tuple(f"channel_{i}" for i in range(channels))
    span_s = least_averaging_s(channels) * longer
    trials = 200
    ended = [
        asked_s(f"{s}", channels=names, span_s=span_s)[-1][0] + ANSWER_S
        for s in range(trials)
    ]
    # Three standard deviations: of a normal sum 0.13 % lie beyond, so more than two of 200 in one draw of 500.
    assert sum(end_s > span_s for end_s in ended) <= 2


def test_the_time_stated_is_the_mean_and_three_standard_deviations() -> None:
    # 20 gaps, uniform from 6 to 18 s: mean 240 s, variance 20 * 12**2 / 12 = 240 s2; 6 s for the last answer.
    assert least_averaging_s(4) == math.ceil(240.0 + 3.0 * math.sqrt(240.0) + 6.0)


@pytest.mark.parametrize("period_s", [5.0, LEAST_PACE_S, 20.0, 2 * LEAST_PACE_S])
def test_no_periodic_load_is_always_met_in_the_same_state(period_s: float) -> None:
    turns = 2.0 * math.pi / period_s
    biases = []
    for seed in range(400):
        times = [at_s for at_s, _ in asked_s(f"{seed}")]
        biases.append(sum(math.sin(turns * t + seed) for t in times) / len(times))
    mean = sum(biases) / len(biases)
    scatter = math.sqrt(sum(b * b for b in biases) / len(biases))
    # Five times that are drawn by lot see a sine with a scatter of sqrt(1/2)/sqrt(5) = 0.316; a beat would be 0.707.
    assert abs(mean) < 0.08
    assert scatter < 0.45


def test_channels_take_turns() -> None:
    names = [name for _, name in asked_s("x", channels=("velocity", "pressure"))]
    assert names == ["velocity", "pressure"] * LEAST_READINGS


def test_what_is_not_answered_in_time_is_asked_again_later() -> None:
    askings = Askings(["velocity"], seed="x")
    askings.begin(0.0, span_s=60.0)
    askings.tick(20.0, {})
    first = asked(askings)
    assert first is not None
    askings.tick(first.until_s - 0.1, {})
    assert asked(askings) is first
    askings.tick(first.until_s, {})
    assert asked(askings) is None
    askings.tick(first.until_s + 2 * LEAST_PACE_S, {})
    again = asked(askings)
    assert again is not None
    assert (again.channel, again.number) == ("velocity", 1)
    assert again.since_s > first.since_s + ANSWER_WITHIN_S


def test_nothing_is_asked_for_before_averaging_or_after_it() -> None:
    askings = Askings(["velocity"], seed="x")
    askings.tick(1000.0, {})
    assert asked(askings) is None
    askings.begin(1000.0, span_s=60.0)
    askings.tick(1020.0, {})
    assert asked(askings) is not None
    askings.stop()
    askings.tick(1100.0, {})
    assert asked(askings) is None


def test_time_left_counts_what_is_missing() -> None:
    askings = Askings(["velocity"], seed="x")
    askings.begin(0.0, span_s=60.0)
    none, four, five = (
        askings.time_left_s(0.0, {"velocity": count}) for count in (0, 4, 5)
    )
    assert none > four > five == 0.0
    assert none - four == pytest.approx(4 * LEAST_PACE_S)
