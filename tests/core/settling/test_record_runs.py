"""Which part of a record is judged: where its run begins and where it ends."""

import math
from dataclasses import replace

import numpy as np
import pytest

from daq.records import Window
from daq.settling.parameters import STANDARD
from daq.settling.record import settle_record
from daq.settling.verdicts import HeldBackBy
from tests.core.settling.records import (
    LEVEL,
    RESOLUTION,
    TOLERANCE,
    readings_at,
    times_until,
    verdict_on,
)

# ---- where it begins


def test_what_comes_before_the_switch_on_is_not_judged() -> None:
    times = times_until(400.0)
    idle = times < 60.0
    values = np.where(idle, 0.02, readings_at(times))
    verdict = verdict_on(times, values)
    assert verdict.started_s == 60.0
    alone = verdict_on(times[~idle] - 60.0, values[~idle])
    assert alone.declared_s is not None
    assert verdict.declared_s == alone.declared_s + 60.0
    assert verdict.mean == alone.mean


@pytest.mark.parametrize("standby", [5.0, 100.0])
def test_a_standby_load_is_not_the_settled_machine(standby: float) -> None:
    # 640 is above five times 100; steady for so long that the standby load alone is settled.
    times = times_until(900.0)
    before = times < 400.0
    values = np.where(before, standby, readings_at(times))
    assert verdict_on(times[before], values[before]).settled
    verdict = verdict_on(times, values)
    alone = verdict_on(times[~before], values[~before])
    assert alone.settled
    assert (verdict.standby_s, verdict.started_s) == (0.0, 400.0)
    assert verdict == replace(alone, standby_s=0.0)


def test_a_rise_to_less_than_five_times_is_a_step_of_the_same_run() -> None:
    times = times_until(900.0)
    values = np.where(times < 400.0, LEVEL / 4.5, readings_at(times))
    verdict = verdict_on(times, values)
    assert (verdict.standby_s, verdict.started_s) == (None, 0.0)


@pytest.mark.parametrize(("length", "begins_anew"), [(1, False), (2, False), (3, True)])
def test_one_or_two_readings_far_above_do_not_begin_anew(
    length: int,
    begins_anew: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    times = times_until(300.0)
    values = readings_at(times)
    values[250 : 250 + length] *= 50.0
    assert (verdict_on(times, values).started_s == 250.0) == begins_anew


def test_a_spike_in_the_standby_load_does_not_hide_the_run() -> None:
    times = times_until(900.0)
    values = np.where(times < 400.0, 5.0, readings_at(times))
    values[100:102] = 10.0 * LEVEL
    verdict = verdict_on(times, values)
    assert (verdict.standby_s, verdict.started_s) == (0.0, 400.0)
    assert verdict.settled


def test_a_spike_of_an_idle_meter_is_not_the_run() -> None:
    times = times_until(400.0)
    values = np.where(times < 60.0, 0.0, readings_at(times))
    values[20] = 100.0 * LEVEL
    verdict = verdict_on(times, values)
    assert verdict.started_s == 60.0
    assert verdict.settled


def test_a_soft_start_is_one_run() -> None:
    # Ten times a second, to the level in four seconds: each reading is less than five times the one before.
    times = times_until(300.0, interval_s=0.1)
    values = readings_at(times, noise=0.1) * np.clip(times / 4.0, 0.0, 1.0)
    verdict = verdict_on(times, values)
    assert verdict.started_s == pytest.approx(0.1)
    assert verdict.standby_s is None


def test_a_display_that_refreshes_slowly_makes_no_standby_of_a_run_up() -> None:
    # Polled ten times a second, refreshed once: the first value shown is a tenth of the next.
    times = times_until(300.0, interval_s=0.1)
    values = np.where(times < 1.0, 0.1 * LEVEL, readings_at(times))
    verdict = verdict_on(times, values)
    assert (verdict.started_s, verdict.standby_s) == (0.0, None)


def test_a_meter_that_logs_more_slowly_while_idle_is_judged_by_the_run() -> None:
    idle, on = times_until(1200.0, interval_s=60.0), 1200.0 + times_until(600.0)
    times = np.concatenate([idle, on])
    verdict = verdict_on(times, np.where(times < 1200.0, 0.0, readings_at(times)))
    alone = verdict_on(on, readings_at(times)[idle.size :])
    assert verdict == alone
    assert verdict.settled
    assert verdict.spacing_s == 1.0


def test_five_steps_of_the_display_are_no_load() -> None:
    times = times_until(300.0)
    for steps, started_s in ((5.0, None), (6.0, 0.0)):
        verdict = verdict_on(times, np.full(300, steps), resolution=1.0)
        assert verdict.started_s == started_s


@pytest.mark.parametrize("interval_s", [0.1, 0.5, 1.0, 3.0])
def test_bins_are_of_two_seconds_or_two_spacings(interval_s: float) -> None:
    times = times_until(400.0, interval_s=interval_s)
    verdict = verdict_on(times, readings_at(times))
    assert verdict.declared_s is not None
    bin_s = max(2.0, 2.0 * interval_s)
    assert math.remainder(verdict.declared_s, bin_s) == pytest.approx(0.0, abs=1e-9)


def test_the_spacing_is_that_of_the_first_readings_only() -> None:
    # Every three seconds at first, ten times as often later: bins of 6 s throughout, and the past is not judged anew.
    slow, fast = (
        times_until(90.0, interval_s=3.0),
        90.0 + times_until(300.0, interval_s=0.3),
    )
    times = np.concatenate([slow, fast])
    verdict = verdict_on(times, readings_at(times))
    assert verdict.declared_s is not None
    assert math.remainder(verdict.declared_s, 6.0) == pytest.approx(0.0, abs=1e-9)
    stays_slow = times_until(390.0, interval_s=3.0)
    same_beginning = np.concatenate([readings_at(times)[:30], np.full(100, LEVEL)])
    again = verdict_on(stays_slow, same_beginning)
    if verdict.declared_s <= 90.0:
        assert again.declared_s == verdict.declared_s


def test_nothing_after_the_result_changes_it() -> None:
    times = times_until(400.0)
    values = readings_at(times, lambda t: 3.0 * np.exp(-t / 40.0))
    expected = verdict_on(times, values)
    assert expected.confirmed_s is not None
    later = times > expected.confirmed_s + 2.0
    # A rise above five times all before would be another run, and what came first a standby load.
    for nonsense in (0.0, 3.0 * LEVEL, 12.0 * times):
        spoilt = verdict_on(times, np.where(later, nonsense, values))
        assert replace(spoilt, switched_off_s=None) == expected
    assert verdict_on(times[~later], values[~later]) == expected


# ---- where it ends


def test_a_record_that_ends_while_averaging_is_settled_after_half_the_least_time() -> (
    None
):
    times = times_until(400.0)
    values = readings_at(times)
    declared_s = verdict_on(times, values).declared_s
    assert declared_s is not None
    half_s = declared_s + 0.5 * STANDARD.least_s
    for cut_s, settled in ((half_s + 6.0, True), (half_s - 6.0, False)):
        here = times < cut_s
        verdict = verdict_on(times[here], values[here])
        assert verdict.settled == settled
        if settled:
            assert verdict.declared_s == declared_s
        else:
            assert verdict.why_not is HeldBackBy.TOO_SHORT


def test_a_machine_that_was_switched_off_is_not_settled_at_nothing() -> None:
    times = times_until(900.0)
    values = np.where(times < 40.0, readings_at(times), 0.0)
    verdict = verdict_on(times, values)
    assert not verdict.settled
    assert verdict.why_not is HeldBackBy.TOO_SHORT
    still_drifting = np.where(
        times < 120.0, readings_at(times, lambda t: 0.5 * t, noise=0.1), 0.0
    )
    assert verdict_on(times, still_drifting).why_not is HeldBackBy.DRIFT


def test_what_was_settled_before_the_machine_was_switched_off_stays_settled() -> None:
    times = times_until(600.0)
    on = times < 250.0
    values = np.where(on, readings_at(times), 0.0)
    verdict, alone = verdict_on(times, values), verdict_on(times[on], values[on])
    assert verdict.settled
    assert verdict.switched_off_s == 250.0
    assert verdict == replace(alone, switched_off_s=250.0)


def test_a_machine_switched_off_and_on_again_is_judged_by_its_first_run() -> None:
    times = times_until(700.0)
    off = (times >= 60.0) & (times < 330.0)
    verdict = verdict_on(times, np.where(off, 0.0, readings_at(times)))
    assert verdict.why_not is HeldBackBy.TOO_SHORT
    assert (verdict.started_s, verdict.switched_off_s) == (0.0, 60.0)


@pytest.mark.parametrize(("interval_s", "silence_s"), [(1.0, 600.0), (14.0, 600.0)])
def test_a_silence_of_more_than_ten_minutes_ends_the_run(
    interval_s: float, silence_s: float
) -> None:
    # Twenty readings settle nothing; what comes after the silence would.
    times = times_until(20.0 * interval_s, interval_s=interval_s)
    last_s = float(times[-1])
    for beyond_s in (0.0, 1.0):
        begin_s = last_s + silence_s + beyond_s
        more = begin_s + times_until(1200.0, interval_s=interval_s)
        both = np.concatenate([times, more])
        verdict = verdict_on(both, readings_at(both, noise=0.05))
        if beyond_s:
            assert verdict.silence == Window(last_s, begin_s)
            assert not verdict.settled
        else:
            assert verdict.silence is None
            assert verdict.settled


def test_slow_readings_have_a_longer_silence() -> None:
    # 40 spacings of 20 s are 800 s; windows that hold readings so far apart.
    parameters = replace(STANDARD, windows_s=(300.0, 480.0), longest_s=600.0)
    times = times_until(800.0, interval_s=20.0)
    for silence_s, silent in ((790.0, False), (810.0, True)):
        both = np.concatenate([times, times + 780.0 + silence_s])
        verdict = settle_record(
            both,
            readings_at(both),
            tolerance=TOLERANCE,
            resolution=RESOLUTION,
            parameters=parameters,
            find_smallest=False,
        )
        assert (verdict.silence is not None) == silent


@pytest.mark.parametrize("spike", [False, True])
def test_a_clock_that_was_set_costs_no_time(spike: bool) -> None:  # noqa: FBT001 - a case, not an interface
    # From the seconds since the start to those since 1970: a thousand million of bins would never end.
    times = np.where(times_until(600.0) < 20.0, 0.0, 1.7e9) + times_until(600.0)
    values = readings_at(times_until(600.0))
    if spike:
        # A rise that begins just before the jump is no run that holds it.
        values[:19] = 5.0
        values[19] = LEVEL
    verdict = verdict_on(times, values, find_smallest=True)
    if spike:
        assert verdict.started_s == 1.7e9 + 20.0
        assert verdict.settled
    else:
        assert verdict.silence == Window(19.0, 1.7e9 + 20.0)
        assert verdict.why_not is HeldBackBy.TOO_SHORT
