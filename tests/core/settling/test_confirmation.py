"""What a growing window says of drift and level, against decays and lines that are known exactly."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from daq.settling.confirmation import DecayFits, Examination
from daq.settling.front_end import bin_of
from daq.settling.parameters import STANDARD

BIN_S = 2.0
LEVEL = 1000.0
TOLERANCE = 0.005
LIMIT = TOLERANCE * LEVEL
BINS = 60
SPAN_S = (BINS - 1) * BIN_S


def _examined(
    value_at: Callable[[float], float],
    *,
    noise: float = 0.0,
    seed: int = 1,
    resolution: float = 1e-6,
) -> Examination:
    """A window of 120 s; the value is given as a function of the time since its first bin [s]."""
    generator = np.random.default_rng(seed)
    fits = DecayFits(reference=LEVEL, bin_s=BIN_S)
    for i in range(BINS):
        fits.add(bin_of([value_at(i * BIN_S) + float(generator.normal(0.0, noise))]))
    return fits.examine(tolerance=TOLERANCE, resolution=resolution, parameters=STANDARD)


def _decay(left_at_s: float, left: float, tau_s: float) -> Callable[[float], float]:
    """A decay of which so many tolerances are left at the given time."""
    return lambda t: LEVEL + left * LIMIT * math.exp((left_at_s - t) / tau_s)


DECLARED_S = SPAN_S - 80.0
"""The declaration was 80 s ago."""


@pytest.mark.parametrize("tau_s", [35.0, 60.0, 120.0])
@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_a_decay_larger_than_the_tolerance_at_the_declaration_is_found_out(
    tau_s: float, noise: float
) -> None:
    examined = _examined(_decay(DECLARED_S, 2.0, tau_s), noise=noise * LIMIT)
    probability = examined.drift_probability(since_declared_s=80.0)
    assert probability > STANDARD.reject_probability


@pytest.mark.parametrize("tau_s", [35.0, 60.0, 120.0])
@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_a_decay_well_within_the_tolerance_is_accepted(
    tau_s: float, noise: float
) -> None:
    examined = _examined(_decay(DECLARED_S, 0.3, tau_s), noise=noise * LIMIT)
    probability = examined.drift_probability(since_declared_s=80.0)
    assert probability < STANDARD.accept_probability


def test_noise_that_could_hide_the_drift_leaves_it_open() -> None:
    quiet = _examined(_decay(DECLARED_S, 0.3, 120.0), noise=0.05 * LIMIT)
    noisy = _examined(_decay(DECLARED_S, 0.3, 120.0), noise=2.0 * LIMIT)
    assert noisy.drift_probability(since_declared_s=80.0) > quiet.drift_probability(
        since_declared_s=80.0
    )


@pytest.mark.parametrize("tau_s", [20.0, 60.0, 120.0])
@pytest.mark.parametrize("left", [-0.8, 0.0, 0.8])
def test_the_level_is_where_the_decay_ends_not_where_the_mean_is(
    tau_s: float, left: float
) -> None:
    estimate = _examined(
        _decay(DECLARED_S, left, tau_s), noise=0.05 * LIMIT, seed=4
    ).level()
    assert abs(estimate.mean - LEVEL) <= estimate.expanded_uncertainty


def test_the_plain_mean_is_the_mean_of_the_bins() -> None:
    # Sum of a geometric series: exp(-2/60) from bin to bin.
    estimate = _examined(_decay(0.0, 4.0, 60.0)).level()
    q = math.exp(-BIN_S / 60.0)
    expected = LEVEL + 4.0 * LIMIT * (1.0 - q**BINS) / (1.0 - q) / BINS
    assert estimate.plain_mean == pytest.approx(expected, rel=1e-12)


def test_the_uncertainty_of_a_quiet_constant_channel_is_the_floor() -> None:
    # Nothing is left but the floor of 0.05 tolerances, calibrated by 0.8 and expanded by 1.96.
    estimate = _examined(lambda _t: LEVEL).level()
    assert estimate.mean == pytest.approx(LEVEL)
    assert estimate.std_uncertainty == pytest.approx(0.8 * 0.05 * LIMIT, rel=1e-3)
    assert estimate.expanded_uncertainty == pytest.approx(
        1.96 * 0.8 * 0.05 * LIMIT, rel=1e-3
    )


def test_rounding_that_nothing_dithers_widens_the_uncertainty() -> None:
    # Half a step of 0.4 tolerances as a rectangular distribution, calibrated by 0.8.
    estimate = _examined(lambda _t: LEVEL, resolution=0.4 * LIMIT).level()
    assert estimate.half_step == pytest.approx(0.2 * LIMIT)
    variance = (0.2 * LIMIT) ** 2 / 3.0 + (0.05 * LIMIT) ** 2
    assert estimate.expanded_uncertainty == pytest.approx(
        0.8 * 1.96 * math.sqrt(variance), rel=1e-3
    )


@pytest.mark.parametrize("slope", [0.001, -0.01, 0.03])
def test_the_guard_bounds_a_straight_line_by_its_drift_over_the_horizon(
    slope: float,
) -> None:
    # Tolerances a second, over 150 s; the guard's line bends by 120 s in 3000 s, hence 3 %.
    examined = _examined(lambda t: LEVEL + slope * LIMIT * (t - SPAN_S))
    assert examined.line_bound() == pytest.approx(abs(slope) * 150.0, rel=0.03)


def test_a_line_that_noise_may_hide_is_bounded_by_more_than_its_best_fit() -> None:
    bounds = [
        _examined(lambda _t: LEVEL, noise=noise * LIMIT).line_bound()
        for noise in (0.05, 0.5, 2.0)
    ]
    assert bounds == sorted(bounds)
    assert bounds[0] > 0.0


def test_a_swing_beyond_the_tolerance_is_hunting_and_noise_is_not() -> None:
    swing = 1.5 * LIMIT
    assert _examined(
        lambda t: LEVEL + swing * math.sin(t / 3.0), noise=0.2 * LIMIT
    ).is_hunting()
    assert not _examined(lambda _t: LEVEL, noise=0.5 * LIMIT).is_hunting()


def test_missing_bins_are_told_as_a_share() -> None:
    fits = DecayFits(reference=LEVEL, bin_s=BIN_S)
    for i in range(20):
        fits.add(bin_of([] if i % 4 == 0 else [LEVEL]))
    assert fits.present_share == 0.75
