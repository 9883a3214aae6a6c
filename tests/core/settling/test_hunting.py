"""The test for hunting against its closed forms."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.settling.hunting import are_hunting


def _is_hunting(
    residuals: NDArray[np.float64], tolerated: float, *, least_periods: int = 1
) -> bool:
    """One record by itself."""
    [is_so] = are_hunting(
        residuals[None, :], np.array([tolerated]), least_periods=least_periods
    )
    return is_so


def _sine(
    count: int, period_bins: float, amplitude: float, *, phase: float = 0.4
) -> NDArray[np.float64]:
    phases = 2.0 * math.pi * np.arange(count, dtype=np.float64) / period_bins + phase
    return np.sin(phases) * amplitude


@pytest.mark.parametrize("count", [40, 61, 120])
def test_a_swing_in_noise_is_hunting(count: int) -> None:
    noise = np.random.default_rng(7).normal(0.0, 0.5, count)
    assert _is_hunting(_sine(count, 8.0, 1.5) + noise, 0.7)


@pytest.mark.parametrize("phase", [0.0, 1.0, 2.5])
def test_a_swing_within_what_is_tolerated_is_not_hunting(phase: float) -> None:
    swing = _sine(40, 8.0, 0.9, phase=phase)
    # Five whole periods: the periodogram's amplitude is exactly the sine's.
    assert _is_hunting(swing, 0.89)
    assert not _is_hunting(swing, 0.91)


def test_no_scatter_is_no_hunting() -> None:
    assert not _is_hunting(np.zeros(40), 0.0)


def test_missing_bins_hide_no_swing() -> None:
    swing = _sine(60, 8.0, 1.5)
    swing[::6] = 0.0
    assert _is_hunting(swing, 0.7)


def test_two_equal_swings_share_the_power_and_fisher_sees_the_larger() -> None:
    # Two whole numbers of periods of one amplitude: g = 1/2, p = 19 (1/2)^18 = 7e-5 of 19 ordinates.
    both = _sine(40, 8.0, 1.5) + _sine(40, 4.0, 1.5)
    assert _is_hunting(both, 0.7)
    # Six: g = 1/6, p = 19 (5/6)^18 = 0.71, no period stands out.
    many = sum(_sine(40, 40.0 / k, 1.5) for k in (2, 5, 8, 11, 14, 17))
    assert not _is_hunting(np.asarray(many), 0.7)


def test_slow_swings_may_be_left_aside() -> None:
    slow, fast = _sine(40, 40.0, 1.5), _sine(40, 20.0, 1.5)
    assert _is_hunting(slow, 0.7)
    assert not _is_hunting(slow, 0.7, least_periods=2)
    assert _is_hunting(fast, 0.7, least_periods=2)


def test_an_alternation_from_bin_to_bin_is_no_swing() -> None:
    # The highest frequency of an even number of bins: two readings that take turns.
    assert not _is_hunting(np.tile([3.0, -3.0], 20), 0.7)


def test_each_of_many_records_is_judged_by_itself() -> None:
    noise = np.random.default_rng(3).normal(0.0, 0.5, 40)
    swing = _sine(40, 8.0, 1.5)
    records = np.stack([swing + noise, noise, swing, np.zeros(40), 0.1 * swing])
    tolerated = np.array([0.7, 0.7, 2.0, 0.7, 0.1])
    # In turn: swings; noise alone; swings by less than its own limit; nothing; swings by more than its own.
    assert are_hunting(records, tolerated) == [True, False, False, False, True]


@pytest.mark.slow
@pytest.mark.parametrize("count", [30, 61])
def test_white_noise_passes_for_hunting_in_one_case_of_a_hundred(count: int) -> None:
    generator = np.random.default_rng(11)
    runs = 4000
    records = generator.normal(0.0, 1.0, (runs, count))
    alarms = sum(are_hunting(records, np.zeros(runs)))
    # Fisher's test at p < 0.01: a binomial count within 3.3 standard deviations (99.9 %).
    within = 3.3 * math.sqrt(0.01 * 0.99 / runs)
    assert alarms / runs == pytest.approx(0.01, abs=within)
