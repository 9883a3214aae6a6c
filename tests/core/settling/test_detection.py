"""Every window's fit against a general least-squares solver, and what it bounds against closed forms."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats  # type: ignore[import-untyped]  # it ships no types

from daq.settling.detection import LEAST_BINS, Detector, WindowFits
from daq.settling.front_end import bin_of
from daq.settling.history import BinHistory
from daq.settling.parameters import STANDARD, Parameters

Array = NDArray[np.float64]
BIN_S = 2.0
TOLERANCE = 0.005


def _detector(
    *,
    tolerances: Sequence[float] = (TOLERANCE,),
    resolutions: Sequence[float] = (0.0,),
    bin_s: float = BIN_S,
    parameters: Parameters = STANDARD,
) -> Detector:
    return Detector(
        tolerances=tolerances,
        resolutions=resolutions,
        bin_s=bin_s,
        parameters=parameters,
    )


LONGEST = _detector().longest


@dataclass(frozen=True, slots=True)
class Solved:
    """One window by numpy's solver and the plain formulas."""

    level: float
    amplitude: float
    mean: float
    std_dev: float
    bound: float


def _solved(window: Array, parameters: Parameters, bin_s: float = BIN_S) -> Solved:
    """Least squares of y = level + amplitude exp(age/tau) over the bins that are there.

    The correlation is corrected for the bias of two fitted parameters, clip((n r + 2)/(n - 4), 0, 0.95).
    """
    ages = np.arange(len(window) - 1, -1, -1) * bin_s
    growth = np.exp(ages / parameters.tau_max_s)
    here = ~np.isnan(window)
    y, g = window[here], growth[here]
    # About the newest bin, or the solver's own rounding would be what is compared with.
    origin = window[-1]
    design = np.column_stack([np.ones(len(y)), g])
    (level, amplitude), *_ = np.linalg.lstsq(design, y - origin, rcond=None)
    residuals = (window - origin) - level - amplitude * growth
    squares = float(np.nansum(residuals**2))
    n = len(y)
    lag = float(np.nansum(residuals[1:] * residuals[:-1])) / squares
    rho = min(max((n * lag + 2.0) / (n - 4.0), 0.0), 0.95)
    inflation = (1.0 + rho) / (1.0 - rho)
    variance = squares / (n - 2.0) * inflation
    # Whole degrees of freedom, as the GUM advises (G.4.1).
    nu = math.floor(min(max(n / inflation - 2.0, 2.0), 200.0))
    quantile = float(stats.t.ppf(1.0 - parameters.risk, nu))
    spread = math.sqrt(variance / float(((g - g.mean()) ** 2).sum()))
    return Solved(
        origin + level,
        amplitude,
        float(y.mean()),
        math.sqrt(variance),
        abs(amplitude) + quantile * spread,
    )


def _assert_equal(
    fits: WindowFits, row: int, means: Array, *, tolerance: float
) -> None:
    """Every usable window of a channel equals the direct solution, relative to the scatter of its bins."""
    for index, length in enumerate(fits.lengths):
        window = means[-length:]
        enough = STANDARD.least_share * length
        assert fits.usable[row, index] == (
            np.count_nonzero(~np.isnan(window)) >= enough
        )
        if not fits.usable[row, index]:
            assert fits.bound[row, index] == math.inf
            continue
        expected = _solved(window, STANDARD)
        unit = float(np.nanstd(window))
        # A level is a double: it has a rounding of its own, however small the scatter.
        last_digit = 2.0 * float(np.spacing(abs(expected.mean)))
        for name in ("level", "mean"):
            off = abs(getattr(fits, name)[row, index] - getattr(expected, name))
            assert off <= tolerance * unit + last_digit
        found = (
            fits.amplitude[row, index] - expected.amplitude,
            fits.std_dev[row, index] - expected.std_dev,
            fits.bound[row, index] - expected.bound,
        )
        assert np.abs(found).max() <= tolerance * unit


# ---- the fit


@settings(derandomize=True, deadline=None, max_examples=40)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(_detector().shortest, LONGEST + 20),
    st.floats(0.0, 0.4),
    st.floats(0.0, 0.95),
)
def test_every_window_is_the_least_squares_solution_with_bins_missing_or_not(
    seed: int, bins: int, missing: float, memory: float
) -> None:
    generator = np.random.default_rng(seed)
    noise = generator.normal(0.0, 1.0, (2, bins))
    for i in range(1, bins):
        noise[:, i] += memory * noise[:, i - 1]
    drift = np.outer([0.0, 5.0], np.exp(-np.arange(bins) / 40.0))
    means = np.array([[1000.0], [12.0]]) + drift + noise
    means[:, :-1][generator.random((2, bins - 1)) < missing] = np.nan
    fits = _detector(tolerances=(0.005, 0.1), resolutions=(0.0, 0.0)).fit(means)
    for row in range(2):
        _assert_equal(fits, row, means[row], tolerance=1e-7)


def test_an_exact_decay_is_found_exactly() -> None:
    ages = np.arange(LONGEST - 1, -1, -1) * BIN_S
    means = (1000.0 - 3.0 * np.exp(ages / STANDARD.tau_max_s))[None, :]
    fits = _detector().fit(means)
    assert fits.level == pytest.approx(np.full(fits.level.shape, 1000.0))
    assert fits.amplitude == pytest.approx(np.full(fits.level.shape, -3.0))
    # Nothing but the amplitude: no scatter to be unsure about.
    assert fits.bound == pytest.approx(np.full(fits.level.shape, 3.0))


def test_neighbours_across_a_missing_bin_are_no_neighbours() -> None:
    # Every third pair of neighbours is broken; the residuals' lag sum holds the pairs that are left, no others.
    means = 50.0 + np.random.default_rng(5).normal(0.0, 1.0, (1, 120))
    means[0, ::5] = np.nan
    means[0, -1] = 50.0
    _assert_equal(_detector().fit(means), 0, means[0], tolerance=1e-9)


def test_bins_that_never_change_leave_no_drift_and_no_scatter() -> None:
    fits = _detector().fit(np.full((1, LONGEST), 0.1))
    assert fits.mean == pytest.approx(np.full(fits.mean.shape, 0.1), rel=1e-15)
    assert np.all(fits.bound == 0.0)
    assert np.all(fits.std_dev == 0.0)


def test_a_channel_that_reads_nothing_but_zero_has_a_bound_and_a_limit() -> None:
    fits = _detector().fit(np.zeros((1, LONGEST)))
    assert np.all(fits.bound == 0.0)
    assert np.all(fits.limit > 0.0)


# ---- which windows


def test_only_windows_that_the_bins_fill_are_fitted() -> None:
    detector = _detector()
    lengths = [round(w / BIN_S) for w in STANDARD.windows_s]
    for bins in (detector.shortest, detector.shortest + 1, detector.longest + 7):
        fits = detector.fit(np.full((1, bins), 7.0))
        assert fits.lengths.tolist() == [n for n in lengths if n <= bins]


def test_what_lies_before_a_window_does_not_matter() -> None:
    generator = np.random.default_rng(3)
    means = 100.0 + generator.normal(0.0, 1.0, (1, LONGEST))
    longer = np.concatenate([generator.normal(0.0, 50.0, (1, 30)), means], axis=1)
    assert np.array_equal(_detector().fit(means).bound, _detector().fit(longer).bound)


def test_windows_of_too_few_bins_are_left_out() -> None:
    # Bins of 10 s: a window needs eight of them.
    detector = _detector(bin_s=10.0)
    kept = [round(w / 10.0) for w in STANDARD.windows_s if w >= 10.0 * LEAST_BINS]
    assert detector.shortest == min(kept)
    assert detector.longest == max(kept)


def test_a_detector_of_bins_too_long_for_every_window_has_none() -> None:
    detector = _detector(bin_s=max(STANDARD.windows_s))
    assert (detector.shortest, detector.longest) == (0, 0)


@pytest.mark.parametrize(("missing", "usable"), [(3, True), (4, False)])
def test_a_window_needs_its_least_share_of_bins(
    missing: int,
    usable: bool,  # noqa: FBT001 - a parameter of the test, not of an interface
) -> None:
    parameters = replace(STANDARD, windows_s=(20.0,), least_share=0.7)
    means = np.full((1, 10), 5.0)
    means[0, 1 : 1 + missing] = np.nan
    fits = _detector(parameters=parameters).fit(means)
    assert fits.usable.tolist() == [[usable]]
    assert math.isfinite(fits.bound[0, 0]) == usable


# ---- the limit


def test_the_limit_is_the_tolerance_of_the_mean_but_never_less_than_half_a_step() -> (
    None
):
    means = np.array([[200.0] * LONGEST, [-200.0] * LONGEST, [200.0] * LONGEST])
    detector = _detector(tolerances=(0.01, 0.01, 0.01), resolutions=(1.0, 1.0, 5.0))
    fits = detector.fit(means)
    assert fits.limit[:, 0] == pytest.approx([2.0, 2.0, 2.5])


# ---- what must not matter


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.floats(-6.0, 6.0), st.sampled_from([-1.0, 1.0]))
def test_another_unit_changes_every_figure_by_its_factor(
    seed: int, decades: float, sign: float
) -> None:
    means = 100.0 + np.random.default_rng(seed).normal(0.0, 1.0, (1, 60))
    factor = sign * 10.0**decades
    plain, scaled = _detector().fit(means), _detector().fit(factor * means)
    for name in ("level", "amplitude", "mean"):
        expected = factor * getattr(plain, name)
        assert getattr(scaled, name) == pytest.approx(expected, rel=1e-6)
    for name in ("std_dev", "bound", "limit"):
        expected = abs(factor) * getattr(plain, name)
        assert getattr(scaled, name) == pytest.approx(expected, rel=1e-6)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.sampled_from([-4096.0, 1024.0, 2.0**20]))
def test_another_zero_moves_the_levels_and_nothing_else(
    seed: int, offset: float
) -> None:
    # Multiples of 1/1024: neither the offset nor the differences are rounded, so the figures are the same to the bit.
    means = np.random.default_rng(seed).integers(-1024, 1024, (1, 60)) / 1024.0
    plain, moved = _detector().fit(means), _detector().fit(means + offset)
    assert np.array_equal(moved.amplitude, plain.amplitude)
    assert np.array_equal(moved.std_dev, plain.std_dev)
    assert np.array_equal(moved.bound, plain.bound)
    assert moved.level == pytest.approx(plain.level + offset, rel=1e-12)
    assert moved.mean == pytest.approx(plain.mean + offset, rel=1e-12)


def test_several_channels_at_once_are_each_as_if_alone() -> None:
    generator = np.random.default_rng(8)
    means = generator.normal(100.0, 1.0, (3, 100))
    means[1, 3:40:4] = np.nan
    tolerances, resolutions = (0.005, 0.01, 0.02), (0.0, 0.1, 1.0)
    together = _detector(tolerances=tolerances, resolutions=resolutions).fit(means)
    for row in range(3):
        alone = _detector(tolerances=[tolerances[row]], resolutions=[resolutions[row]])
        fits = alone.fit(means[row : row + 1])
        for name in ("usable", "level", "amplitude", "mean", "std_dev", "bound"):
            assert np.array_equal(getattr(together, name)[row], getattr(fits, name)[0])


# ---- for ever


@pytest.mark.slow
def test_after_a_day_of_bins_the_fits_still_equal_the_direct_formula() -> None:
    # 24 hours in bins of 2 s, at 1e5 with a scatter of 0.01: to 1e-9 of that scatter, not only of the level.
    bins = 43_200
    means = 1e5 + np.random.default_rng(24).normal(0.0, 0.01, bins)
    history = BinHistory(["power"], kept=LONGEST + 10)
    for mean in means.tolist():
        history.add({"power": bin_of([mean])})
    fits = _detector().fit(history.means(["power"], bins - LONGEST))
    _assert_equal(fits, 0, means, tolerance=1e-9)
