"""Running sums against a direct solution, and the test for hunting against its closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from daq.settling.regression import Fit, Sums, is_hunting

STEADY = settings(derandomize=True, deadline=None, max_examples=60)
VALUES = st.lists(
    st.one_of(st.none(), st.floats(-50.0, 50.0)), min_size=10, max_size=60
).filter(lambda values: sum(v is not None for v in values) >= 6)


def _decays(count: int, tau_bins: float) -> NDArray[np.float64]:
    return np.exp(-np.arange(count) / tau_bins)


def _summed(values: list[float | None], g: NDArray[np.float64]) -> Fit:
    sums = Sums()
    for value, factor in zip(values, g, strict=True):
        sums.add(value, float(factor))
    return sums.fit()


def _solved(
    values: list[float | None], g: NDArray[np.float64]
) -> tuple[float, float, NDArray[np.float64]]:
    """Level, amplitude and residuals by a general least-squares solver; missing values are NaN."""
    y = np.array([math.nan if v is None else v for v in values])
    here = ~np.isnan(y)
    design = np.column_stack([np.ones(here.sum()), g[here]])
    (level, amplitude), *_ = np.linalg.lstsq(design, y[here], rcond=None)
    return float(level), float(amplitude), y - level - amplitude * g


@STEADY
@given(VALUES, st.floats(5.0, 100.0))
def test_the_sums_give_the_least_squares_solution(
    values: list[float | None], tau_bins: float
) -> None:
    g = _decays(len(values), tau_bins)
    level, amplitude, residuals = _solved(values, g)
    fit = _summed(values, g)
    # Level and amplitude are each ill-determined where g hardly changes; what they predict is not.
    here = ~np.isnan(residuals)
    predicted = fit.level + fit.amplitude * g[here]
    assert predicted == pytest.approx(level + amplitude * g[here], abs=1e-6)
    assert fit.residual == pytest.approx(float(np.nansum(residuals**2)), abs=1e-5)
    assert fit.count == here.sum()
    assert fit.sxx == pytest.approx(float(np.var(g[here]) * here.sum()), rel=1e-6)


@STEADY
@given(VALUES, st.floats(5.0, 100.0))
def test_the_lag_sum_is_that_of_the_residuals_of_neighbours(
    values: list[float | None], tau_bins: float
) -> None:
    g = _decays(len(values), tau_bins)
    *_, residuals = _solved(values, g)
    squares = float(np.nansum(residuals**2))
    if squares < 1e-3:
        return
    lag = float(np.nansum(residuals[1:] * residuals[:-1]))
    n = sum(v is not None for v in values)
    # The bias correction of settling for two parameters: clip((n r + 2)/(n - 4), 0, 0.95).
    rho = min(max((n * lag / squares + 2) / max(n - 4, 1), 0.0), 0.95)
    expected = (1.0 + rho) / (1.0 - rho)
    assert _summed(values, g).inflation == pytest.approx(expected, rel=1e-3)


def test_an_exact_decay_is_found_exactly() -> None:
    g = _decays(40, 15.0)
    fit = _summed([3.0 - 2.0 * float(x) for x in g], g)
    assert fit.level == pytest.approx(3.0)
    assert fit.amplitude == pytest.approx(-2.0)
    assert fit.residual == pytest.approx(0.0, abs=1e-10)


def test_backwards_and_forwards_give_the_same_fit() -> None:
    g = _decays(40, 15.0)
    values: list[float | None] = [
        *np.random.default_rng(3).normal(0.0, 1.0, 40).tolist()
    ]
    values[17] = None
    forwards, backwards = _summed(values, g), _summed(values[::-1], g[::-1])
    assert backwards.level == pytest.approx(forwards.level, rel=1e-9)
    assert backwards.amplitude == pytest.approx(forwards.amplitude, rel=1e-9)
    assert backwards.inflation == pytest.approx(forwards.inflation, rel=1e-9)


def test_neighbours_across_a_missing_value_are_no_neighbours() -> None:
    # Alternating, but every second value is missing: no pair is left, so no correlation is seen.
    g = _decays(40, 15.0)
    noise = np.random.default_rng(5).normal(0.0, 1.0, 40)
    values = [float(v) if i % 2 else None for i, v in enumerate(noise)]
    # 20 values, no lag sum: (0 + 2)/(20 - 4) = 0.125, hence 1.125/0.875.
    assert _summed(values, g).inflation == pytest.approx(1.125 / 0.875)


# ---- hunting


def _sine(count: int, period_bins: float, amplitude: float) -> NDArray[np.float64]:
    phases = 2.0 * math.pi * np.arange(count, dtype=np.float64) / period_bins + 0.4
    return np.sin(phases) * amplitude


@pytest.mark.parametrize("count", [40, 61, 120])
def test_a_swing_in_noise_is_hunting(count: int) -> None:
    noise = np.random.default_rng(7).normal(0.0, 0.5, count)
    assert is_hunting((_sine(count, 8.0, 1.5) + noise).tolist(), 0.7)


def test_a_swing_within_what_is_tolerated_is_not_hunting() -> None:
    swing = _sine(40, 8.0, 0.9).tolist()
    # Five whole periods: the periodogram's amplitude is exactly the sine's.
    assert is_hunting(swing, 0.89)
    assert not is_hunting(swing, 0.91)


def test_no_scatter_is_no_hunting() -> None:
    assert not is_hunting([0.0] * 40, 0.0)


@pytest.mark.slow
@pytest.mark.parametrize("count", [30, 61])
def test_white_noise_passes_for_hunting_in_one_case_of_a_hundred(count: int) -> None:
    generator = np.random.default_rng(11)
    runs = 4000
    alarms = sum(
        is_hunting(generator.normal(0.0, 1.0, count).tolist(), 0.0) for _ in range(runs)
    )
    # Fisher's test at p < 0.01: a binomial count within 3.3 standard deviations (99.9 %).
    within = 3.3 * math.sqrt(0.01 * 0.99 / runs)
    assert alarms / runs == pytest.approx(0.01, abs=within)
