"""One channel's record: what is said of it, and every reason why it is not settled."""

import math
from dataclasses import replace

import numpy as np
import pytest

from daq.settling.group import SettlingGroup
from daq.settling.parameters import STANDARD
from daq.settling.phases import ChannelSetup, Phase
from daq.settling.record import RecordVerdict, settle_record
from daq.settling.verdicts import HeldBackBy
from tests.core.settling.records import (
    LEVEL,
    LIMIT,
    RESOLUTION,
    RUNG,
    TOLERANCE,
    Array,
    readings_at,
    times_until,
    verdict_on,
)

# ---- settled


def test_a_steady_record_is_settled_with_its_level() -> None:
    times = times_until(300.0)
    verdict = verdict_on(times, readings_at(times))
    assert verdict.settled
    assert verdict.why_not is None
    assert verdict.provisional == 0
    assert verdict.started_s == 0.0
    assert verdict.window is not None
    assert verdict.declared_s is not None
    assert verdict.window.start_s < verdict.declared_s < verdict.window.end_s
    assert verdict.confirmed_s == verdict.window.end_s
    assert verdict.count == verdict.window.end_s - verdict.window.start_s
    assert verdict.mean is not None
    assert verdict.expanded_uncertainty is not None
    assert abs(verdict.mean - LEVEL) <= verdict.expanded_uncertainty
    assert (verdict.unsettled_window, verdict.unsettled_mean) == (None, None)


def test_a_record_is_judged_by_the_same_object_as_a_trial() -> None:
    times = times_until(300.0)
    values = readings_at(times, lambda t: 3.0 * np.exp(-t / 40.0))
    verdict = verdict_on(times, values)
    setup = ChannelSetup("power", TOLERANCE, RESOLUTION, 1.0, required=True)
    group = SettlingGroup([setup], start_s=0.0, parameters=STANDARD)
    for at_s, value in zip(times.tolist(), values.tolist(), strict=True):
        group.feed("power", at_s, value)
    level = group.levels()["power"]
    assert group.phase is Phase.CONFIRMED
    assert verdict.window == group.window
    assert verdict.declared_s == group.declared_s
    assert verdict.mean == level.mean
    assert verdict.expanded_uncertainty == level.expanded_uncertainty
    assert verdict.effective_count == level.effective_count


def test_a_record_that_never_changes_is_its_value() -> None:
    verdict = verdict_on(times_until(300.0), np.full(300, LEVEL))
    assert verdict.settled
    assert verdict.mean == LEVEL


@pytest.mark.parametrize("level", [LEVEL, -LEVEL, 1e-9, 1e12])
def test_a_display_of_unknown_step_divides_by_nothing(level: float) -> None:
    verdict = verdict_on(times_until(300.0), np.full(300, level), resolution=0.0)
    assert verdict.settled
    assert verdict.mean == pytest.approx(level)


def test_a_record_may_be_given_as_arrays_or_as_any_numbers() -> None:
    times = times_until(300.0)
    values = readings_at(times)
    listed = verdict_on(times, values)
    arrays = settle_record(
        times, values, tolerance=TOLERANCE, resolution=RESOLUTION, find_smallest=False
    )
    assert arrays == listed
    assert type(arrays.declared_s) is float
    assert type(arrays.mean) is float


def test_the_clock_of_the_record_is_kept() -> None:
    times = times_until(300.0)
    plain = verdict_on(times, readings_at(times))
    later = verdict_on(times + 4096.0, readings_at(times))
    assert plain.declared_s is not None
    assert later.declared_s == plain.declared_s + 4096.0
    assert later.mean == plain.mean


# ---- withdrawn


def test_declarations_that_were_withdrawn_are_counted() -> None:
    # A step at 70 s, when the steady machine before it had been declared.
    times = times_until(600.0)
    values = readings_at(times, lambda t: np.where(t < 70.0, 0.0, 8.0))
    verdict = verdict_on(times, values)
    assert verdict.settled
    assert verdict.provisional == 1
    assert verdict.declared_s is not None
    assert verdict.declared_s > 70.0
    assert verdict.window is not None
    assert verdict.window.start_s >= 68.0


# ---- why not


def _why(
    times_s: Array, values: Array, *, resolution: float = RESOLUTION
) -> HeldBackBy | None:
    verdict = verdict_on(times_s, values, resolution=resolution)
    assert not verdict.settled
    assert verdict.window is None
    assert verdict.mean is None
    return verdict.why_not


def test_a_record_of_zeros_has_no_load() -> None:
    assert _why(times_until(300.0), np.zeros(300)) is HeldBackBy.NO_LOAD
    assert _why(times_until(300.0), np.zeros(300), resolution=0.0) is HeldBackBy.NO_LOAD


@pytest.mark.parametrize("seed", range(5))
def test_an_idle_meter_that_flickers_has_no_load(seed: int) -> None:
    # One reading in four is above five steps.
    scatter = np.random.default_rng(seed).normal(0.3, 0.3, 600)
    values = np.round(scatter, 1)
    assert 100 < np.count_nonzero(np.abs(values) > 0.5) < 200
    assert _why(times_until(600.0), values, resolution=0.1) is HeldBackBy.NO_LOAD


def test_an_empty_record_has_no_load() -> None:
    verdict = verdict_on(times_until(0.0), times_until(0.0), find_smallest=True)
    assert verdict == RecordVerdict(settled=False, why_not=HeldBackBy.NO_LOAD)


def test_one_reading_is_too_short_a_record() -> None:
    verdict = verdict_on(np.zeros(1), np.full(1, LEVEL), find_smallest=True)
    assert verdict.why_not is HeldBackBy.TOO_SHORT
    assert verdict.smallest_tolerance is None


def test_a_short_record_is_too_short() -> None:
    times = times_until(30.0)
    assert _why(times, readings_at(times)) is HeldBackBy.TOO_SHORT


def test_readings_that_all_bear_one_time_are_too_short_a_record() -> None:
    assert _why(np.zeros(300), np.full(300, LEVEL)) is HeldBackBy.TOO_SHORT


def test_readings_a_minute_apart_are_too_few_for_any_window() -> None:
    times = times_until(6000.0, interval_s=60.0)
    verdict = verdict_on(times, readings_at(times))
    assert verdict.why_not is HeldBackBy.TOO_SHORT
    assert verdict.spacing_s == 60.0
    # Eight bins of two readings each in the longest window.
    assert verdict.longest_spacing_s == max(STANDARD.windows_s) / 16.0


@pytest.mark.parametrize("slope", [0.05, -0.3])
def test_a_ramp_is_drifting(slope: float) -> None:
    # Tolerances a second.
    times = times_until(300.0)
    assert _why(times, readings_at(times, lambda t: slope * t)) is HeldBackBy.DRIFT


@pytest.mark.parametrize("tau_s", [60.0, 400.0])
def test_a_machine_that_is_still_warming_up_is_drifting(tau_s: float) -> None:
    times = times_until(150.0)
    values = readings_at(times, lambda t: -60.0 * np.exp(-t / tau_s))
    assert _why(times, values) is HeldBackBy.DRIFT


@pytest.mark.parametrize("seed", range(3))
def test_much_noise_is_too_noisy(seed: int) -> None:
    # Ten tolerances a reading: a mean of five minutes is not known to the tolerance's half, nor its drift to all of it.
    times = times_until(300.0)
    assert _why(times, readings_at(times, noise=10.0, seed=seed)) is HeldBackBy.NOISE


def test_a_display_whose_step_hides_the_drift_is_too_coarse() -> None:
    # Half a step is the band, and the readings never change: a minute hides nearly all of a step's drift.
    times = times_until(70.0)
    values = np.full(times.size, 20.0)
    verdict = verdict_on(times, values, resolution=2.0)
    assert verdict.why_not is HeldBackBy.RESOLUTION


@pytest.mark.parametrize("period_s", [9.0, 16.0, 30.0])
def test_a_machine_that_swings_is_hunting(period_s: float) -> None:
    times = times_until(300.0)
    values = readings_at(times, lambda t: 4.0 * np.sin(2.0 * math.pi * t / period_s))
    assert _why(times, values) is HeldBackBy.HUNTING


def test_a_record_that_ends_soon_after_a_step_is_not_settled_because_of_it() -> None:
    times = times_until(75.0)
    values = readings_at(times, lambda t: np.where(t < 55.0, 0.0, 20.0))
    assert _why(times, values) is HeldBackBy.STEP


def test_a_record_with_most_of_its_readings_missing_is_too_short() -> None:
    # Every second bin is empty: no window has readings enough.
    times = times_until(600.0)
    times = times[times % 8.0 < 3.0]
    times = np.concatenate([times_until(16.0), times[times > 20.0]])
    assert _why(times, readings_at(times)) is HeldBackBy.TOO_SHORT


# ---- averaged even so


def test_what_is_not_settled_has_a_mean_with_its_drift() -> None:
    times = times_until(301.0)
    values = readings_at(times, lambda t: 0.05 * t, noise=0.1)
    verdict = verdict_on(times, values)
    assert verdict.unsettled_window is not None
    assert verdict.unsettled_mean is not None
    assert verdict.unsettled_uncertainty is not None
    window = verdict.unsettled_window
    inside = (times >= window.start_s) & (times < window.end_s)
    assert verdict.unsettled_mean == pytest.approx(
        values[inside].mean(), abs=0.5 * LIMIT
    )
    # The drift over the window, as half-width of a rectangular distribution, expanded by 1.96.
    drift = 0.05 * LIMIT * (window.end_s - window.start_s)
    assert verdict.unsettled_uncertainty > 0.9 * 1.96 * drift / math.sqrt(3.0)


def test_a_record_of_a_few_seconds_has_no_mean_at_all() -> None:
    times = times_until(12.0)
    verdict = verdict_on(times, readings_at(times))
    assert verdict.unsettled_window is None
    assert verdict.unsettled_mean is None


# ---- what would have passed


@pytest.mark.parametrize("noise", [0.2, 1.0])
def test_a_settled_record_tells_how_much_less_would_have_passed(noise: float) -> None:
    times = times_until(300.0)
    values = readings_at(times, noise=noise)
    verdict = verdict_on(times, values, find_smallest=True)
    smallest = verdict.smallest_tolerance
    assert verdict.settled
    assert smallest is not None
    assert smallest < TOLERANCE
    assert verdict_on(times, values, tolerance=smallest).settled
    assert not verdict_on(times, values, tolerance=smallest / RUNG).settled


def test_no_tolerance_is_smaller_than_half_a_step() -> None:
    # 500 in steps of 0.1: half a step is 0.01 %.
    times = times_until(400.0, interval_s=0.5)
    scatter = np.random.default_rng(3).normal(0.0, 0.02, times.size)
    values = np.round(500.0 + scatter, 1)
    half_step = 0.9999e-4
    for tolerance in (TOLERANCE, 0.2 * half_step):
        verdict = verdict_on(
            times, values, tolerance=tolerance, resolution=0.1, find_smallest=True
        )
        assert verdict.smallest_tolerance is not None
        assert verdict.smallest_tolerance >= half_step


def test_a_record_that_never_changes_passes_at_the_least_that_is_looked_for() -> None:
    # Half a step of 0.0001 in 640 is less than two decades below the tolerance.
    values = np.full(300, LEVEL)
    verdict = verdict_on(
        times_until(300.0), values, resolution=1e-4, find_smallest=True
    )
    assert verdict.smallest_tolerance == pytest.approx(TOLERANCE / 100.0)


def test_a_record_that_is_not_settled_tells_what_would_have_passed() -> None:
    times = times_until(240.0)
    values = readings_at(times, lambda t: 0.1 * t)
    verdict = verdict_on(times, values, find_smallest=True)
    smallest = verdict.smallest_tolerance
    assert not verdict.settled
    assert smallest is not None
    assert smallest > TOLERANCE
    assert verdict_on(times, values, tolerance=smallest).settled
    assert not verdict_on(times, values, tolerance=smallest / RUNG).settled


def test_what_no_tolerance_makes_settled_has_no_smallest_one() -> None:
    times = times_until(30.0)
    verdict = verdict_on(times, readings_at(times), find_smallest=True)
    assert verdict.smallest_tolerance is None


def test_the_verdict_is_the_same_whether_the_smallest_is_looked_for_or_not() -> None:
    times = times_until(300.0)
    values = readings_at(times)
    quick, full = (verdict_on(times, values, find_smallest=f) for f in (False, True))
    assert quick.smallest_tolerance is None
    assert replace(full, smallest_tolerance=None) == quick


# ---- misuse


@pytest.mark.parametrize("tolerance", [0.0, -0.01, math.nan, math.inf])
def test_a_tolerance_that_is_not_above_zero_and_finite_is_refused(
    tolerance: float,
) -> None:
    with pytest.raises(ValueError, match="tolerance"):
        verdict_on(times_until(10.0), np.full(10, LEVEL), tolerance=tolerance)


@pytest.mark.parametrize("resolution", [-0.1, math.nan, math.inf])
def test_a_resolution_below_zero_or_without_end_is_refused(resolution: float) -> None:
    with pytest.raises(ValueError, match="resolution"):
        verdict_on(times_until(10.0), np.full(10, LEVEL), resolution=resolution)


def test_times_and_values_of_unequal_number_are_refused() -> None:
    with pytest.raises(ValueError, match="zip"):
        verdict_on(times_until(10.0), np.full(9, LEVEL))
