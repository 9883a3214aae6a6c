"""The reason that is told where several might be: the one that tells what to do about it."""

import numpy as np
import pytest

from daq.settling.parameters import STANDARD
from daq.settling.phases import Phase
from daq.settling.presets import PRESETS
from daq.settling.record import RecordVerdict, settle_record
from daq.settling.verdicts import HeldBackBy
from tests.core.settling.readings import channel, fed, group_of, steady
from tests.core.settling.records import (
    LEVEL,
    LIMIT,
    TOLERANCE,
    Array,
    readings_at,
    times_until,
    verdict_on,
)


def _shown(values: Array, step: float) -> Array:
    """As a display of that step shows them."""
    return np.asarray(np.round(values / step) * step, np.float64)


def _on_display(values: Array, step: float) -> RecordVerdict:
    times = times_until(float(len(values)))
    return verdict_on(times, _shown(values, step), resolution=step)


# ---- a display too coarse, not a drift and not a step


@pytest.mark.parametrize("steps", [0.3, 1.0])
@pytest.mark.parametrize("tolerances", [2.0, 3.0, 6.0])
def test_a_ramp_that_a_coarse_display_hardly_shows_is_no_drift_of_the_machine(
    steps: float, tolerances: float
) -> None:
    # Ten minutes for at most one step: what the display shows is its own rounding.
    step = tolerances * LIMIT
    ramp = LEVEL + steps * step * np.linspace(0.0, 1.0, 600)
    assert _on_display(ramp, step).why_not is HeldBackBy.RESOLUTION


@pytest.mark.parametrize("tolerances", [2.1, 3.0, 6.0])
def test_a_constant_machine_on_a_display_coarser_than_the_band_waits_for_a_finer_one(
    tolerances: float,
) -> None:
    # Half a step is more than the tolerance: the level may lie anywhere in the band.
    constant = np.full(600, LEVEL)
    verdict = _on_display(constant, tolerances * LIMIT)
    assert verdict.why_not is HeldBackBy.RESOLUTION


@pytest.mark.parametrize("tolerances", [2.5, 4.0])
def test_a_display_that_goes_to_and_fro_by_one_step_shows_no_step_of_the_machine(
    tolerances: float,
) -> None:
    # Between two steps of the display, and a scatter so small that it stays with one of them for a while.
    step = tolerances * LIMIT
    between = (np.floor(LEVEL / step) + 0.5) * step
    slow = 0.05 * step * np.sin(np.arange(600.0) / 25.0)
    assert _on_display(between + slow, step).why_not is HeldBackBy.RESOLUTION


def test_a_step_of_the_machine_is_told_on_a_coarse_display_too() -> None:
    step = 2.5 * LIMIT
    stepped = np.where(np.arange(120) < 90, LEVEL, LEVEL + 6.0 * step)
    verdict = _on_display(stepped, step)
    assert verdict.why_not is HeldBackBy.STEP


@pytest.mark.parametrize("step", [0.01, 0.5 * LIMIT])
@pytest.mark.parametrize("slope", [0.05, -0.3])
def test_a_ramp_that_the_display_shows_is_a_drift(step: float, slope: float) -> None:
    ramp = readings_at(times_until(300.0), lambda t: slope * t, noise=0.0)
    assert _on_display(ramp, step).why_not is HeldBackBy.DRIFT


# ---- too noisy, not too short


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("share", [0.08, 0.11, 0.15])
def test_noise_that_ten_minutes_could_not_average_is_not_told_as_too_short(
    seed: int, share: float
) -> None:
    # White noise of so much of the level: after 300 s of averaging it is still more than is allowed.
    times = times_until(600.0)
    verdict = verdict_on(times, readings_at(times, noise=share / TOLERANCE, seed=seed))
    assert not verdict.settled
    assert verdict.why_not is HeldBackBy.NOISE


def test_noise_that_has_gone_is_no_longer_the_reason() -> None:
    # Withdrawn for its noise; then quiet, declared anew, and at an end before the average was long enough.
    group = group_of()
    withdrawn_s = 0.0
    for reading in steady("power", 900.0, noise=16.0, seed=2):
        changes = group.feed(*reading)
        if any(change.reason is HeldBackBy.NOISE for change in changes):
            withdrawn_s = reading[1]
            break
    assert withdrawn_s
    assert group.why_not("power") is HeldBackBy.NOISE
    # After two minutes of silence no window reaches back to the noise.
    from_s = withdrawn_s + 120.3
    quiet = steady("power", from_s + 600.0, from_s=from_s, noise=0.05)
    for reading in quiet:
        group.feed(*reading)
        if group.phase is Phase.AVERAGING and group.averaging_s() > 10.0:
            break
    assert group.phase is Phase.AVERAGING
    assert group.averaging_s() < STANDARD.least_s
    assert group.why_not("power") is HeldBackBy.TOO_SHORT


def test_asking_why_changes_nothing_of_what_is_told_later() -> None:
    told = []
    for asks in (False, True):
        group = group_of(channel(), channel("velocity"))
        readings = [
            reading
            for pair in zip(
                steady("power", 900.0, noise=9.0, seed=3),
                steady("velocity", 900.0, noise=9.0, seed=4),
                strict=True,
            )
            for reading in pair
        ]
        lines = []
        for number, reading in enumerate(readings):
            changes = fed(group, [reading])
            if asks and number % 7 == 0:
                group.why_not("power")
            if number % 50 == 49:
                left_s = group.time_left_s()
                lines.append((changes, left_s, group.window))
        told.append((lines, group.levels(), group.withdrawn))
    assert told[0] == told[1]
    assert told[0][2] > 0


# ---- too short, not a step


@pytest.mark.parametrize("preset", list(PRESETS))
@pytest.mark.parametrize("until_s", [60.0, 90.0])
@pytest.mark.parametrize("tau_s", [1.5, 8.0, 15.0])
def test_a_short_record_of_a_start_has_no_step_in_it(
    preset: str, until_s: float, tau_s: float
) -> None:
    times = times_until(until_s)
    values = readings_at(times, lambda t: 60.0 * np.exp(-t / tau_s))
    verdict = settle_record(
        times,
        values,
        tolerance=TOLERANCE,
        resolution=0.01,
        parameters=PRESETS[preset].parameters,
        find_smallest=False,
    )
    assert verdict.settled or verdict.why_not in {
        HeldBackBy.TOO_SHORT,
        HeldBackBy.DRIFT,
        HeldBackBy.NOISE,
    }


# ---- still drifting at the end


def test_a_drift_to_the_very_end_is_told_beside_the_reason() -> None:
    times = times_until(400.0)
    ramp = verdict_on(times, readings_at(times, lambda t: 0.1 * t))
    assert (ramp.settled, ramp.drifts_to_end) == (False, True)


def test_noise_a_swing_and_a_settled_record_do_not_drift_to_the_end() -> None:
    times = times_until(400.0)
    swing = readings_at(times, lambda t: 5.0 * np.sin(2.0 * np.pi * t / 16.0))
    for values in (
        readings_at(times, noise=40.0, seed=2),
        swing,
        readings_at(times, noise=0.1),
    ):
        assert not verdict_on(times, values).drifts_to_end
