"""The time left as it is told: an estimate that wanders is followed, and not at every step."""

import itertools
import math
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.trials.foreseeing import Foreseen, foreseen

SECONDS = st.floats(0.0, 600.0)


def followed(estimates: list[tuple[float, float]]) -> list[float]:
    """What is foreseen to be left [s], of times and estimates of the time left [s]."""
    told: list[float] = []
    before: Foreseen | None = None
    for at_s, left_s in estimates:
        before = foreseen(left_s, at_s, before=before)
        told.append(before.left_s)
    return told


def test_the_first_estimate_is_told_as_it_is() -> None:
    assert followed([(100.0, 72.0)]) == [72.0]


def test_an_estimate_that_runs_down_with_the_time_is_told_as_it_is() -> None:
    told = followed([(float(t), 120.0 - t) for t in range(121)])
    assert told == pytest.approx([120.0 - t for t in range(121)])


def test_news_are_followed_by_the_time_constant_however_often_one_asks() -> None:
    # At once 100 s more than was foreseen: after 20 s there is left what is told of it, 1 - 1/e of the news.
    for step_s in (20.0, 5.0, 0.25):
        steps = round(20.0 / step_s)
        news = [(n * step_s, 150.0 - n * step_s) for n in range(1, steps + 1)]
        told = followed([(0.0, 50.0), *news])
        assert told[-1] == pytest.approx(50.0 - 20.0 + 100.0 * (1.0 - math.exp(-1.0)))


def test_an_estimate_that_leaps_to_and_fro_is_told_without_leaps() -> None:
    random = Random(3)  # noqa: S311 - an estimate's noise, no secret
    estimates = [
        (2.0 * n, 300.0 - 2.0 * n + random.choice((-60.0, 60.0))) for n in range(120)
    ]
    told = followed(estimates)
    # One bin of 2 s lets a tenth of the news in.
    most_s = 120.0 * (1.0 - math.exp(-0.1))
    steps_s = [b - a for a, b in itertools.pairwise(told)]
    assert max(steps_s) < most_s
    assert any(abs(b - a) > 100.0 for (_, a), (_, b) in itertools.pairwise(estimates))


@given(st.lists(st.tuples(st.floats(0.0, 10.0), SECONDS), min_size=1, max_size=60))
def test_what_is_told_lies_between_the_soonest_and_the_latest_end_of_all_estimates(
    steps: list[tuple[float, float]],
) -> None:
    times_s = itertools.accumulate(step_s for step_s, _ in steps)
    estimates = [(t, left) for t, (_, left) in zip(times_s, steps, strict=True)]
    ends_s: list[float] = []
    for (at_s, left_s), told_s in zip(estimates, followed(estimates), strict=True):
        ends_s.append(at_s + left_s)
        assert told_s >= 0.0
        assert told_s >= min(ends_s) - at_s - 1e-6
        assert told_s <= max(max(ends_s) - at_s, 0.0) + 1e-6
