"""Differences to the baseline with and without correction for drift, and the spread that is left."""

import numpy as np
import pytest

from daq.comparison.contrasts import contrasts, spread_without_drift
from daq.comparison.observations import Observation


def seen(*trials):
    """Observations from (condition, time, value)."""
    return [
        Observation(number, condition, float(at_s), float(mean), 0.1, 20.0)
        for number, (condition, at_s, mean) in enumerate(trials, 1)
    ]


def difference(observations, *, bracketing):
    (found,) = contrasts(observations, baseline="A", bracketing=bracketing)
    return found


# Closed forms of substitution weighing: with an even drift of 0.3 a step and a true difference of -4.
@pytest.mark.parametrize(
    "trials",
    [
        [("A", 0, 100.0), ("B", 1, 96.3), ("A", 2, 100.6)],
        [("A", 0, 100.0), ("B", 1, 96.3), ("B", 2, 96.6), ("A", 3, 100.9)],
        [("A", 0, 100.0), ("B", 3, 96.9), ("A", 4, 101.2)],
    ],
    ids=["A-B-A", "A-B-B-A", "at unequal times"],
)
def test_an_even_drift_falls_out(trials):
    found = difference(seen(*trials), bracketing=True)
    assert found.difference == pytest.approx(-4.0, abs=1e-12)


def test_without_the_correction_it_stays():
    trials = seen(("A", 0, 100.0), ("B", 3, 96.9), ("A", 4, 101.2))
    assert difference(trials, bracketing=False).difference == pytest.approx(-3.7)


def test_curvature_is_not_removed():
    # Drift 0.05 t², symmetric about B: what is left is -c dt².
    trials = seen(("A", 0, 100.0), ("B", 1, 96.05), ("A", 2, 100.2))
    assert difference(trials, bracketing=True).difference == pytest.approx(-4.05)


@pytest.mark.parametrize(
    ("trials", "factor"),
    [
        ([("A", 0, 1), ("B", 1, 1), ("A", 2, 1)], 1.5),
        ([("A", 0, 1), ("B", 1, 1), ("B", 2, 1), ("A", 3, 1)], 1.0),
    ],
)
def test_the_variance_is_that_of_the_design(trials, factor):
    assert difference(seen(*trials), bracketing=True).variance_factor == pytest.approx(
        factor
    )


def test_without_drift_the_variance_is_that_of_two_means():
    trials = seen(("A", 0, 1), ("B", 1, 1), ("A", 2, 1), ("B", 3, 1), ("B", 4, 1))
    found = difference(trials, bracketing=False)
    assert found.variance_factor == pytest.approx(1 / 3 + 1 / 2)
    assert found.baseline_share == pytest.approx((1 / 2) / (1 / 2 + 1 / 3))


def test_trials_outside_the_baselines_are_held_against_the_nearest():
    trials = seen(("B", 0, 96.0), ("A", 1, 100.0), ("A", 2, 104.0), ("B", 3, 100.0))
    assert difference(trials, bracketing=True).difference == pytest.approx(-4.0)


def test_without_a_baseline_there_is_no_difference():
    assert contrasts(seen(("B", 0, 1)), baseline="A", bracketing=False) == []


@pytest.mark.slow
def test_the_spread_without_drift_is_right_on_average_and_as_sure_as_it_says():
    random = np.random.default_rng(4)
    order = ["A", "B", "C", "A", "B", "C", "A", "B", "C", "A"]
    values = []
    for _ in range(4000):
        drawn = random.normal(0.0, 1.0, len(order)) + 0.7 * np.arange(len(order))
        trials = seen(
            *((c, i, v) for i, (c, v) in enumerate(zip(order, drawn, strict=True)))
        )
        found = spread_without_drift(trials, baseline="A")
        assert found is not None
        values.append(found)
    nu = values[0].degrees_of_freedom
    squares = np.array([v.std_dev**2 for v in values])
    # Mean 1 and variance 2/nu, as Satterthwaite's chi squared has: 4000 draws know both to a few percent.
    assert squares.mean() == pytest.approx(1.0, abs=0.05)
    assert squares.var() == pytest.approx(2.0 / nu, rel=0.12)


def test_two_baselines_alone_tell_nothing_of_the_spread():
    trials = seen(("A", 0, 100.0), ("B", 1, 96.0), ("A", 2, 101.0))
    assert spread_without_drift(trials, baseline="A") is None
