"""Which windows of one channel pass, and what holds the others back, against closed forms."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.settling.detection import Detector
from daq.settling.front_end import Bin, bin_of
from daq.settling.history import BinHistory
from daq.settling.parameters import STANDARD, Parameters
from daq.settling.verdicts import BinWindows, Detection, HeldBackBy

Array = NDArray[np.float64]
BIN_S = 2.0
LEVEL = 1000.0
TOLERANCE = 0.005
LIMIT = TOLERANCE * LEVEL
TAU_MAX_S = STANDARD.tau_max_s


CHANNEL = "power"


class _Windows:
    """All windows of one channel that end with the last of some bins."""

    def __init__(
        self,
        means: Array,
        *,
        resolution: float = 0.1,
        parameters: Parameters = STANDARD,
        bins: Sequence[Bin] | None = None,
    ) -> None:
        detector = Detector(
            tolerances=[TOLERANCE],
            resolutions=[resolution],
            bin_s=BIN_S,
            parameters=parameters,
        )
        kept = means[-detector.longest :]
        items = bins or [bin_of([] if math.isnan(m) else [m]) for m in kept.tolist()]
        history = BinHistory([CHANNEL], kept=len(items))
        for item in items:
            history.add({CHANNEL: item})
        self.fits = detector.fit(kept[None, :])
        self._windows = BinWindows(
            self.fits,
            kept[None, :],
            growth=detector.growth,
            history=history,
            names=[CHANNEL],
            resolutions=[resolution],
            bin_s=BIN_S,
            parameters=parameters,
        )

    def detect(self) -> Detection | None:
        [found] = self._windows.detect()
        # The quick question after all channels must say the same.
        assert self._windows.detect_all() == ([found] if found else None)
        return found

    def held_back_by(self) -> HeldBackBy | None:
        return self._windows.held_back_by(0)

    def time_to_settle_s(self) -> float:
        return self._windows.time_to_settle_s()


SHORTEST = round(min(STANDARD.windows_s) / BIN_S)


def _passing(means: Array, *, resolution: float = 1e-6) -> list[int]:
    """Numbers of the bins at which a settled window ends."""
    return [
        end - 1
        for end in range(SHORTEST, len(means) + 1)
        if _Windows(means[:end], resolution=resolution).detect() is not None
    ]


def _noise(count: int, size: float, seed: int = 1) -> Array:
    """Bins about the level; the size in tolerances."""
    return LEVEL + LIMIT * np.random.default_rng(seed).normal(0.0, size, count)


# ---- what passes, and what may not


@pytest.mark.parametrize("tau_s", [5.0, 12.0, 30.0, 60.0, 100.0, 149.0, TAU_MAX_S])
@pytest.mark.parametrize("start", [-40.0, -8.0, 3.0, 25.0])
def test_no_window_passes_while_more_than_the_tolerance_is_left_of_a_decay(
    tau_s: float, start: float
) -> None:
    # Without noise the drift that is still to come is known: start * exp(-t/tau).
    t = np.arange(350) * BIN_S
    left = start * np.exp(-t / tau_s)
    passed = _passing(LEVEL + LIMIT * left)
    assert passed
    # The tolerance is taken of the window's mean, which a falling machine has a little above its level.
    assert np.abs(left[passed]).max() <= 1.02


@pytest.mark.parametrize("start", [4.0, -6.0])
def test_a_decay_of_the_slowest_time_constant_passes_once_it_fits(start: float) -> None:
    # What the bound assumes is exact here: |start| exp(-t/tau_max) = the largest amplitude that is allowed.
    t = np.arange(300) * BIN_S
    passed = _passing(LEVEL + start * LIMIT * np.exp(-t / TAU_MAX_S))
    allowed = min(STANDARD.amplitude, 1.0)
    expected = TAU_MAX_S * math.log(abs(start) / allowed)
    assert passed[0] * BIN_S == pytest.approx(expected, abs=2.0 * BIN_S)
    # And from then on always.
    assert passed == list(range(passed[0], len(t)))


def test_a_constant_channel_passes_with_its_shortest_window() -> None:
    found = _Windows(np.full(SHORTEST, LEVEL)).detect()
    assert found is not None
    assert (found.length, found.mean) == (SHORTEST, LEVEL)


def test_the_shortest_window_that_passes_is_taken() -> None:
    # Long windows hold the noisy past, so only those that end before it can pass.
    means = np.concatenate([_noise(100, 8.0), np.full(30, LEVEL)])
    found = _Windows(means).detect()
    assert found is not None
    assert found.length == SHORTEST


def test_noise_that_a_short_window_cannot_average_passes_in_a_longer_one() -> None:
    shortest = replace(STANDARD, windows_s=STANDARD.windows_s[:1])
    seeds = range(20)
    by_all = [_Windows(_noise(120, 0.8, s)).detect() for s in seeds]
    alone = [_Windows(_noise(120, 0.8, s), parameters=shortest).detect() for s in seeds]
    assert sum(map(bool, by_all)) > sum(map(bool, alone))


# ---- why not


@pytest.mark.parametrize("slope", [0.2, -0.2, 1.0])
def test_a_ramp_is_held_back_by_drift(slope: float) -> None:
    # Tolerances per bin: 0.2 are 15 tolerances over tau_max.
    windows = _Windows(LEVEL + slope * LIMIT * np.arange(100.0))
    assert windows.detect() is None
    assert windows.held_back_by() is HeldBackBy.DRIFT


@pytest.mark.parametrize("seed", range(5))
def test_much_noise_is_held_back_as_noise_and_not_as_drift(seed: int) -> None:
    windows = _Windows(_noise(40, 12.0, seed))
    assert windows.detect() is None
    assert windows.held_back_by() is HeldBackBy.NOISE


@pytest.mark.parametrize("period_bins", [2.5, 5.0])
def test_a_swing_beyond_what_is_tolerated_is_held_back_as_hunting(
    period_bins: float,
) -> None:
    # Whole periods in every window; of a half more a short one sees two weaker lines, and the confirmation decides.
    assert all(round(w / BIN_S) % 5 == 0 for w in STANDARD.windows_s)
    swing = np.sin(np.arange(120) * 2.0 * math.pi / period_bins)
    windows = _Windows(LEVEL + 3.0 * LIMIT * swing)
    assert windows.detect() is None
    assert windows.held_back_by() is HeldBackBy.HUNTING


def test_a_swing_whose_mean_is_known_is_hunting_all_the_same() -> None:
    # Two bins a period average out in any window, so the drift fits; the amplitude does not.
    fast = LEVEL + 2.0 * LIMIT * np.sin(np.arange(120) * 2.0 * math.pi / 2.5)
    windows = _Windows(fast)
    assert windows.detect() is None
    assert windows.held_back_by() is HeldBackBy.HUNTING
    small = LEVEL + 0.9 * STANDARD.hunting * (fast - LEVEL) / 2.0
    assert _Windows(small).detect() is not None


def test_a_display_too_coarse_to_show_drift_holds_back() -> None:
    # One step is 1.5 tolerances: a window of length W may hide 2 Q/(exp(W/tau_max) - 1) = 1.5/(…) tolerances.
    step = 1.5
    windows = _Windows(np.full(SHORTEST, LEVEL), resolution=step * LIMIT)
    assert step / math.expm1(SHORTEST * BIN_S / TAU_MAX_S) > 1.0
    assert windows.detect() is None
    assert windows.held_back_by() is HeldBackBy.RESOLUTION


def test_a_coarse_display_passes_once_the_window_is_long_enough_to_show_drift() -> None:
    # The same closed form, solved for the length: W = tau_max ln(1 + step/limit).
    step = 1.5
    found = _Windows(np.full(120, LEVEL), resolution=step * LIMIT).detect()
    needed_s = TAU_MAX_S * math.log1p(step)
    fitting = [w for w in STANDARD.windows_s if w >= needed_s]
    assert found is not None
    assert found.length * BIN_S == min(fitting)


def test_noise_that_dithers_the_display_makes_it_fine_enough() -> None:
    # One step is 1.5 tolerances; readings scatter over four steps evenly, by 1.1 of one.
    readings = LEVEL + 1.5 * LIMIT * np.array([-1.5, 0.5, 1.5, -0.5])
    bins = [bin_of(readings.tolist())] * 120
    windows = _Windows(np.full(120, LEVEL), resolution=1.5 * LIMIT, bins=bins)
    found = windows.detect()
    assert found is not None
    assert found.length == SHORTEST


def test_windows_with_too_many_holes_are_held_back_by_gaps() -> None:
    means = np.full(90, LEVEL)
    means[: -SHORTEST // 2 : 2] = np.nan
    means[-SHORTEST:-1:2] = np.nan
    windows = _Windows(means)
    assert windows.detect() is None
    assert windows.held_back_by() is HeldBackBy.GAPS
    assert windows.time_to_settle_s() == math.inf


def test_windows_with_few_holes_pass() -> None:
    means = np.full(90, LEVEL)
    means[:-1:5] = np.nan
    assert _Windows(means).detect() is not None


def test_nothing_holds_a_channel_back_that_passes() -> None:
    windows = _Windows(_noise(60, 0.1))
    assert windows.detect() is not None
    assert windows.held_back_by() is None


# ---- how much longer


def test_nothing_is_left_to_wait_for_where_the_drift_fits() -> None:
    assert _Windows(np.full(60, LEVEL)).time_to_settle_s() == 0.0


@pytest.mark.parametrize("times", [2.0, 5.0, 20.0])
def test_an_exact_decay_tells_how_long_it_will_take(times: float) -> None:
    # So many times the amplitude that is allowed: tau_max ln(times).
    ages_s = np.arange(119, -1, -1) * BIN_S
    left = times * min(STANDARD.amplitude, 1.0) * LIMIT
    # A display that shows everything, and a mean that lies near the level.
    means = 1e3 * LEVEL + left * np.exp(ages_s / TAU_MAX_S)
    detector = replace(STANDARD, windows_s=(240.0,))
    windows = _Windows(means, resolution=1e-6, parameters=detector)
    limit = float(windows.fits.limit[0, 0])
    expected = TAU_MAX_S * math.log(
        max(left / (min(STANDARD.amplitude, 1.0) * limit), 1.0)
    )
    assert windows.time_to_settle_s() == pytest.approx(expected, abs=0.1)


def test_more_noise_takes_longer() -> None:
    times = [
        _Windows(_noise(60, size)).time_to_settle_s() for size in (0.1, 40.0, 400.0)
    ]
    assert times == sorted(times)
    assert 0.0 < times[1] < times[2] < math.inf
