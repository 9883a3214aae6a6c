"""One channel's record: where it begins and ends, what is said of it, and every reason why it is not settled."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.records import Window
from daq.settling.group import SettlingGroup
from daq.settling.parameters import STANDARD
from daq.settling.phases import ChannelSetup, Phase
from daq.settling.record import RecordVerdict, settle_record
from daq.settling.verdicts import HeldBackBy

Array = NDArray[np.float64]
LEVEL = 640.0
TOLERANCE = 0.005
LIMIT = TOLERANCE * LEVEL
RESOLUTION = 0.01
RUNG = 10.0 ** (1.0 / 20.0)
"""The smallest tolerance is looked for on a ladder of twenty rungs a decade."""


def _times(until_s: float, *, interval_s: float = 1.0) -> Array:
    return np.arange(0.0, until_s, interval_s, dtype=np.float64)


def _values(
    times_s: Array,
    course: Callable[[Array], Array | float] = lambda _t: 0.0,
    *,
    noise: float = 0.2,
    seed: int = 1,
) -> Array:
    """Readings about the level; course and noise in tolerances."""
    scatter = np.random.default_rng(seed).normal(0.0, noise, times_s.size)
    return LEVEL + LIMIT * (course(times_s) + scatter)


def _verdict(
    times_s: Array,
    values: Array,
    *,
    tolerance: float = TOLERANCE,
    resolution: float = RESOLUTION,
    find_smallest: bool = False,
) -> RecordVerdict:
    return settle_record(
        times_s.tolist(),
        values.tolist(),
        tolerance=tolerance,
        resolution=resolution,
        find_smallest=find_smallest,
    )


# ---- settled


def test_a_steady_record_is_settled_with_its_level() -> None:
    times = _times(300.0)
    verdict = _verdict(times, _values(times))
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
    times = _times(300.0)
    values = _values(times, lambda t: 3.0 * np.exp(-t / 40.0))
    verdict = _verdict(times, values)
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
    verdict = _verdict(_times(300.0), np.full(300, LEVEL))
    assert verdict.settled
    assert verdict.mean == LEVEL


@pytest.mark.parametrize("level", [LEVEL, -LEVEL, 1e-9, 1e12])
def test_a_display_of_unknown_step_divides_by_nothing(level: float) -> None:
    verdict = _verdict(_times(300.0), np.full(300, level), resolution=0.0)
    assert verdict.settled
    assert verdict.mean == pytest.approx(level)


def test_a_record_may_be_given_as_arrays_or_as_any_numbers() -> None:
    times = _times(300.0)
    values = _values(times)
    listed = _verdict(times, values)
    arrays = settle_record(
        times, values, tolerance=TOLERANCE, resolution=RESOLUTION, find_smallest=False
    )
    assert arrays == listed
    assert type(arrays.declared_s) is float
    assert type(arrays.mean) is float


def test_the_clock_of_the_record_is_kept() -> None:
    times = _times(300.0)
    plain = _verdict(times, _values(times))
    later = _verdict(times + 4096.0, _values(times))
    assert plain.declared_s is not None
    assert later.declared_s == plain.declared_s + 4096.0
    assert later.mean == plain.mean


# ---- where it begins


def test_what_comes_before_the_switch_on_is_not_judged() -> None:
    times = _times(400.0)
    idle = times < 60.0
    values = np.where(idle, 0.02, _values(times))
    verdict = _verdict(times, values)
    assert verdict.started_s == 60.0
    alone = _verdict(times[~idle] - 60.0, values[~idle])
    assert alone.declared_s is not None
    assert verdict.declared_s == alone.declared_s + 60.0
    assert verdict.mean == alone.mean


@pytest.mark.parametrize("standby", [5.0, 100.0])
def test_a_standby_load_is_not_the_settled_machine(standby: float) -> None:
    # 640 is above five times 100; steady for so long that the standby load alone is settled.
    times = _times(900.0)
    before = times < 400.0
    values = np.where(before, standby, _values(times))
    assert _verdict(times[before], values[before]).settled
    verdict = _verdict(times, values)
    alone = _verdict(times[~before], values[~before])
    assert alone.settled
    assert (verdict.standby_s, verdict.started_s) == (0.0, 400.0)
    assert verdict == replace(alone, standby_s=0.0)


def test_a_rise_to_less_than_five_times_is_a_step_of_the_same_run() -> None:
    times = _times(900.0)
    values = np.where(times < 400.0, LEVEL / 4.5, _values(times))
    verdict = _verdict(times, values)
    assert (verdict.standby_s, verdict.started_s) == (None, 0.0)


@pytest.mark.parametrize(("length", "begins_anew"), [(1, False), (2, False), (3, True)])
def test_one_or_two_readings_far_above_do_not_begin_anew(
    length: int,
    begins_anew: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    times = _times(300.0)
    values = _values(times)
    values[250 : 250 + length] *= 50.0
    assert (_verdict(times, values).started_s == 250.0) == begins_anew


def test_a_spike_in_the_standby_load_does_not_hide_the_run() -> None:
    times = _times(900.0)
    values = np.where(times < 400.0, 5.0, _values(times))
    values[100:102] = 10.0 * LEVEL
    verdict = _verdict(times, values)
    assert (verdict.standby_s, verdict.started_s) == (0.0, 400.0)
    assert verdict.settled


def test_a_spike_of_an_idle_meter_is_not_the_run() -> None:
    times = _times(400.0)
    values = np.where(times < 60.0, 0.0, _values(times))
    values[20] = 100.0 * LEVEL
    verdict = _verdict(times, values)
    assert verdict.started_s == 60.0
    assert verdict.settled


def test_a_soft_start_is_one_run() -> None:
    # Ten times a second, to the level in four seconds: each reading is less than five times the one before.
    times = _times(300.0, interval_s=0.1)
    values = _values(times, noise=0.1) * np.clip(times / 4.0, 0.0, 1.0)
    verdict = _verdict(times, values)
    assert verdict.started_s == pytest.approx(0.1)
    assert verdict.standby_s is None


def test_a_display_that_refreshes_slowly_makes_no_standby_of_a_run_up() -> None:
    # Polled ten times a second, refreshed once: the first value shown is a tenth of the next.
    times = _times(300.0, interval_s=0.1)
    values = np.where(times < 1.0, 0.1 * LEVEL, _values(times))
    verdict = _verdict(times, values)
    assert (verdict.started_s, verdict.standby_s) == (0.0, None)


def test_a_meter_that_logs_more_slowly_while_idle_is_judged_by_the_run() -> None:
    idle, on = _times(1200.0, interval_s=60.0), 1200.0 + _times(600.0)
    times = np.concatenate([idle, on])
    verdict = _verdict(times, np.where(times < 1200.0, 0.0, _values(times)))
    alone = _verdict(on, _values(times)[idle.size :])
    assert verdict == alone
    assert verdict.settled
    assert verdict.spacing_s == 1.0


def test_five_steps_of_the_display_are_no_load() -> None:
    times = _times(300.0)
    for steps, started_s in ((5.0, None), (6.0, 0.0)):
        verdict = _verdict(times, np.full(300, steps), resolution=1.0)
        assert verdict.started_s == started_s


@pytest.mark.parametrize("interval_s", [0.1, 0.5, 1.0, 3.0])
def test_bins_are_of_two_seconds_or_two_spacings(interval_s: float) -> None:
    times = _times(400.0, interval_s=interval_s)
    verdict = _verdict(times, _values(times))
    assert verdict.declared_s is not None
    bin_s = max(2.0, 2.0 * interval_s)
    assert math.remainder(verdict.declared_s, bin_s) == pytest.approx(0.0, abs=1e-9)


def test_the_spacing_is_that_of_the_first_readings_only() -> None:
    # Every three seconds at first, ten times as often later: bins of 6 s throughout, and the past is not judged anew.
    slow, fast = _times(90.0, interval_s=3.0), 90.0 + _times(300.0, interval_s=0.3)
    times = np.concatenate([slow, fast])
    verdict = _verdict(times, _values(times))
    assert verdict.declared_s is not None
    assert math.remainder(verdict.declared_s, 6.0) == pytest.approx(0.0, abs=1e-9)
    stays_slow = _times(390.0, interval_s=3.0)
    same_beginning = np.concatenate([_values(times)[:30], np.full(100, LEVEL)])
    again = _verdict(stays_slow, same_beginning)
    if verdict.declared_s <= 90.0:
        assert again.declared_s == verdict.declared_s


def test_nothing_after_the_result_changes_it() -> None:
    times = _times(400.0)
    values = _values(times, lambda t: 3.0 * np.exp(-t / 40.0))
    expected = _verdict(times, values)
    assert expected.confirmed_s is not None
    later = times > expected.confirmed_s + 2.0
    # A rise above five times all before would be another run, and what came first a standby load.
    for nonsense in (0.0, 3.0 * LEVEL, 12.0 * times):
        spoilt = _verdict(times, np.where(later, nonsense, values))
        assert replace(spoilt, switched_off_s=None) == expected
    assert _verdict(times[~later], values[~later]) == expected


# ---- where it ends


def test_a_record_that_ends_while_averaging_is_settled_after_half_the_least_time() -> (
    None
):
    times = _times(400.0)
    values = _values(times)
    declared_s = _verdict(times, values).declared_s
    assert declared_s is not None
    half_s = declared_s + 0.5 * STANDARD.least_s
    for cut_s, settled in ((half_s + 6.0, True), (half_s - 6.0, False)):
        here = times < cut_s
        verdict = _verdict(times[here], values[here])
        assert verdict.settled == settled
        if settled:
            assert verdict.declared_s == declared_s
        else:
            assert verdict.why_not is HeldBackBy.TOO_SHORT


def test_a_machine_that_was_switched_off_is_not_settled_at_nothing() -> None:
    times = _times(900.0)
    values = np.where(times < 40.0, _values(times), 0.0)
    verdict = _verdict(times, values)
    assert not verdict.settled
    assert verdict.why_not is HeldBackBy.TOO_SHORT
    still_drifting = np.where(
        times < 120.0, _values(times, lambda t: 0.5 * t, noise=0.1), 0.0
    )
    assert _verdict(times, still_drifting).why_not is HeldBackBy.DRIFT


def test_what_was_settled_before_the_machine_was_switched_off_stays_settled() -> None:
    times = _times(600.0)
    on = times < 250.0
    values = np.where(on, _values(times), 0.0)
    verdict, alone = _verdict(times, values), _verdict(times[on], values[on])
    assert verdict.settled
    assert verdict.switched_off_s == 250.0
    assert verdict == replace(alone, switched_off_s=250.0)


def test_a_machine_switched_off_and_on_again_is_judged_by_its_first_run() -> None:
    times = _times(700.0)
    off = (times >= 60.0) & (times < 330.0)
    verdict = _verdict(times, np.where(off, 0.0, _values(times)))
    assert verdict.why_not is HeldBackBy.TOO_SHORT
    assert (verdict.started_s, verdict.switched_off_s) == (0.0, 60.0)


@pytest.mark.parametrize(("interval_s", "silence_s"), [(1.0, 600.0), (14.0, 600.0)])
def test_a_silence_of_more_than_ten_minutes_ends_the_run(
    interval_s: float, silence_s: float
) -> None:
    # Twenty readings settle nothing; what comes after the silence would.
    times = _times(20.0 * interval_s, interval_s=interval_s)
    last_s = float(times[-1])
    for beyond_s in (0.0, 1.0):
        begin_s = last_s + silence_s + beyond_s
        more = begin_s + _times(1200.0, interval_s=interval_s)
        both = np.concatenate([times, more])
        verdict = _verdict(both, _values(both, noise=0.05))
        if beyond_s:
            assert verdict.silence == Window(last_s, begin_s)
            assert not verdict.settled
        else:
            assert verdict.silence is None
            assert verdict.settled


def test_slow_readings_have_a_longer_silence() -> None:
    # 40 spacings of 20 s are 800 s; windows that hold readings so far apart.
    parameters = replace(STANDARD, windows_s=(300.0, 480.0), longest_s=600.0)
    times = _times(800.0, interval_s=20.0)
    for silence_s, silent in ((790.0, False), (810.0, True)):
        both = np.concatenate([times, times + 780.0 + silence_s])
        verdict = settle_record(
            both,
            _values(both),
            tolerance=TOLERANCE,
            resolution=RESOLUTION,
            parameters=parameters,
            find_smallest=False,
        )
        assert (verdict.silence is not None) == silent


@pytest.mark.parametrize("spike", [False, True])
def test_a_clock_that_was_set_costs_no_time(spike: bool) -> None:  # noqa: FBT001 - a case, not an interface
    # From the seconds since the start to those since 1970: a thousand million of bins would never end.
    times = np.where(_times(600.0) < 20.0, 0.0, 1.7e9) + _times(600.0)
    values = _values(_times(600.0))
    if spike:
        # A rise that begins just before the jump is no run that holds it.
        values[:19] = 5.0
        values[19] = LEVEL
    verdict = _verdict(times, values, find_smallest=True)
    if spike:
        assert verdict.started_s == 1.7e9 + 20.0
        assert verdict.settled
    else:
        assert verdict.silence == Window(19.0, 1.7e9 + 20.0)
        assert verdict.why_not is HeldBackBy.TOO_SHORT


# ---- withdrawn


def test_declarations_that_were_withdrawn_are_counted() -> None:
    # A step at 70 s, when the steady machine before it had been declared.
    times = _times(600.0)
    values = _values(times, lambda t: np.where(t < 70.0, 0.0, 8.0))
    verdict = _verdict(times, values)
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
    verdict = _verdict(times_s, values, resolution=resolution)
    assert not verdict.settled
    assert verdict.window is None
    assert verdict.mean is None
    return verdict.why_not


def test_a_record_of_zeros_has_no_load() -> None:
    assert _why(_times(300.0), np.zeros(300)) is HeldBackBy.NO_LOAD
    assert _why(_times(300.0), np.zeros(300), resolution=0.0) is HeldBackBy.NO_LOAD


@pytest.mark.parametrize("seed", range(5))
def test_an_idle_meter_that_flickers_has_no_load(seed: int) -> None:
    # One reading in four is above five steps.
    scatter = np.random.default_rng(seed).normal(0.3, 0.3, 600)
    values = np.round(scatter, 1)
    assert 100 < np.count_nonzero(np.abs(values) > 0.5) < 200
    assert _why(_times(600.0), values, resolution=0.1) is HeldBackBy.NO_LOAD


def test_an_empty_record_has_no_load() -> None:
    verdict = _verdict(_times(0.0), _times(0.0), find_smallest=True)
    assert verdict == RecordVerdict(settled=False, why_not=HeldBackBy.NO_LOAD)


def test_one_reading_is_too_short_a_record() -> None:
    verdict = _verdict(np.zeros(1), np.full(1, LEVEL), find_smallest=True)
    assert verdict.why_not is HeldBackBy.TOO_SHORT
    assert verdict.smallest_tolerance is None


def test_a_short_record_is_too_short() -> None:
    times = _times(30.0)
    assert _why(times, _values(times)) is HeldBackBy.TOO_SHORT


def test_readings_that_all_bear_one_time_are_too_short_a_record() -> None:
    assert _why(np.zeros(300), np.full(300, LEVEL)) is HeldBackBy.TOO_SHORT


def test_readings_a_minute_apart_are_too_few_for_any_window() -> None:
    times = _times(6000.0, interval_s=60.0)
    verdict = _verdict(times, _values(times))
    assert verdict.why_not is HeldBackBy.TOO_SHORT
    assert verdict.spacing_s == 60.0
    # Eight bins of two readings each in the longest window.
    assert verdict.longest_spacing_s == max(STANDARD.windows_s) / 16.0


@pytest.mark.parametrize("slope", [0.05, -0.3])
def test_a_ramp_is_drifting(slope: float) -> None:
    # Tolerances a second.
    times = _times(300.0)
    assert _why(times, _values(times, lambda t: slope * t)) is HeldBackBy.DRIFT


@pytest.mark.parametrize("tau_s", [60.0, 400.0])
def test_a_machine_that_is_still_warming_up_is_drifting(tau_s: float) -> None:
    times = _times(150.0)
    values = _values(times, lambda t: -60.0 * np.exp(-t / tau_s))
    assert _why(times, values) is HeldBackBy.DRIFT


@pytest.mark.parametrize("seed", range(3))
def test_much_noise_is_too_noisy(seed: int) -> None:
    # Ten tolerances a reading: a mean of five minutes is not known to the tolerance's half, nor its drift to all of it.
    times = _times(300.0)
    assert _why(times, _values(times, noise=10.0, seed=seed)) is HeldBackBy.NOISE


def test_a_display_whose_step_hides_the_drift_is_too_coarse() -> None:
    # Half a step is the band, and the readings never change: a minute hides nearly all of a step's drift.
    times = _times(70.0)
    values = np.full(times.size, 20.0)
    verdict = _verdict(times, values, resolution=2.0)
    assert verdict.why_not is HeldBackBy.RESOLUTION


@pytest.mark.parametrize("period_s", [9.0, 16.0, 30.0])
def test_a_machine_that_swings_is_hunting(period_s: float) -> None:
    times = _times(300.0)
    values = _values(times, lambda t: 4.0 * np.sin(2.0 * math.pi * t / period_s))
    assert _why(times, values) is HeldBackBy.HUNTING


def test_a_record_that_ends_soon_after_a_step_is_not_settled_because_of_it() -> None:
    times = _times(75.0)
    values = _values(times, lambda t: np.where(t < 55.0, 0.0, 20.0))
    assert _why(times, values) is HeldBackBy.STEP


def test_a_record_with_most_of_its_readings_missing_is_too_short() -> None:
    # Every second bin is empty: no window has readings enough.
    times = _times(600.0)
    times = times[times % 8.0 < 3.0]
    times = np.concatenate([_times(16.0), times[times > 20.0]])
    assert _why(times, _values(times)) is HeldBackBy.TOO_SHORT


# ---- averaged even so


def test_what_is_not_settled_has_a_mean_with_its_drift() -> None:
    times = _times(301.0)
    values = _values(times, lambda t: 0.05 * t, noise=0.1)
    verdict = _verdict(times, values)
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
    times = _times(12.0)
    verdict = _verdict(times, _values(times))
    assert verdict.unsettled_window is None
    assert verdict.unsettled_mean is None


# ---- what would have passed


@pytest.mark.parametrize("noise", [0.2, 1.0])
def test_a_settled_record_tells_how_much_less_would_have_passed(noise: float) -> None:
    times = _times(300.0)
    values = _values(times, noise=noise)
    verdict = _verdict(times, values, find_smallest=True)
    smallest = verdict.smallest_tolerance
    assert verdict.settled
    assert smallest is not None
    assert smallest < TOLERANCE
    assert _verdict(times, values, tolerance=smallest).settled
    assert not _verdict(times, values, tolerance=smallest / RUNG).settled


def test_no_tolerance_is_smaller_than_half_a_step() -> None:
    # 500 in steps of 0.1: half a step is 0.01 %.
    times = _times(400.0, interval_s=0.5)
    scatter = np.random.default_rng(3).normal(0.0, 0.02, times.size)
    values = np.round(500.0 + scatter, 1)
    half_step = 0.9999e-4
    for tolerance in (TOLERANCE, 0.2 * half_step):
        verdict = _verdict(
            times, values, tolerance=tolerance, resolution=0.1, find_smallest=True
        )
        assert verdict.smallest_tolerance is not None
        assert verdict.smallest_tolerance >= half_step


def test_a_record_that_never_changes_passes_at_the_least_that_is_looked_for() -> None:
    # Half a step of 0.0001 in 640 is less than two decades below the tolerance.
    values = np.full(300, LEVEL)
    verdict = _verdict(_times(300.0), values, resolution=1e-4, find_smallest=True)
    assert verdict.smallest_tolerance == pytest.approx(TOLERANCE / 100.0)


def test_a_record_that_is_not_settled_tells_what_would_have_passed() -> None:
    times = _times(240.0)
    values = _values(times, lambda t: 0.1 * t)
    verdict = _verdict(times, values, find_smallest=True)
    smallest = verdict.smallest_tolerance
    assert not verdict.settled
    assert smallest is not None
    assert smallest > TOLERANCE
    assert _verdict(times, values, tolerance=smallest).settled
    assert not _verdict(times, values, tolerance=smallest / RUNG).settled


def test_what_no_tolerance_makes_settled_has_no_smallest_one() -> None:
    times = _times(30.0)
    verdict = _verdict(times, _values(times), find_smallest=True)
    assert verdict.smallest_tolerance is None


def test_the_verdict_is_the_same_whether_the_smallest_is_looked_for_or_not() -> None:
    times = _times(300.0)
    values = _values(times)
    quick, full = (_verdict(times, values, find_smallest=f) for f in (False, True))
    assert quick.smallest_tolerance is None
    assert replace(full, smallest_tolerance=None) == quick


# ---- misuse


@pytest.mark.parametrize("tolerance", [0.0, -0.01, math.nan, math.inf])
def test_a_tolerance_that_is_not_above_zero_and_finite_is_refused(
    tolerance: float,
) -> None:
    with pytest.raises(ValueError, match="tolerance"):
        _verdict(_times(10.0), np.full(10, LEVEL), tolerance=tolerance)


@pytest.mark.parametrize("resolution", [-0.1, math.nan, math.inf])
def test_a_resolution_below_zero_or_without_end_is_refused(resolution: float) -> None:
    with pytest.raises(ValueError, match="resolution"):
        _verdict(_times(10.0), np.full(10, LEVEL), resolution=resolution)


def test_times_and_values_of_unequal_number_are_refused() -> None:
    with pytest.raises(ValueError, match="zip"):
        _verdict(_times(10.0), np.full(9, LEVEL))
