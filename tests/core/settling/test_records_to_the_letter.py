"""Single branches of the verdict on one record, each where nothing else decides."""

import math
from typing import Any

import numpy as np
import pytest

from daq.settling.parameters import STANDARD
from daq.settling.record import RecordVerdict
from daq.settling.verdicts import HeldBackBy
from tests.core.settling.records import readings_at, times_until, verdict_on


@pytest.mark.parametrize(
    ("level", "standby_s"), [(50.0, None), (math.nextafter(50.0, math.inf), 0.0)]
)
def test_a_rise_to_just_five_times_is_a_step_of_the_same_run(
    level: float, standby_s: float | None
) -> None:
    times = times_until(900.0)
    verdict = verdict_on(times, np.where(times < 400.0, 10.0, level))
    assert verdict.standby_s == standby_s


def test_readings_too_far_apart_are_told_with_nothing_but_their_run() -> None:
    times = times_until(6000.0, interval_s=60.0)
    assert verdict_on(times, readings_at(times)) == RecordVerdict(
        settled=False,
        started_s=0.0,
        why_not=HeldBackBy.TOO_SHORT,
        spacing_s=60.0,
        # Eight bins of two readings each in the longest window.
        longest_spacing_s=max(STANDARD.windows_s) / 16.0,
    )


def test_a_record_with_holes_in_every_window_drifts_nowhere_at_its_end() -> None:
    # A steep ramp of a reading in three bins: no window holds enough of its bins to fit a drift.
    times = np.concatenate([times_until(40.0), 40.0 + np.arange(6.0, 500.0, 6.0)])
    verdict = verdict_on(times, readings_at(times, lambda t: 0.2 * t, noise=0.01))
    assert not verdict.settled
    assert not verdict.drifts_to_end


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"tolerance": 0.0}, "tolerance 0.0, expected more than 0"),
        ({"tolerance": math.inf}, "tolerance inf, expected more than 0"),
        ({"resolution": -0.1}, "resolution -0.1, expected 0 or more"),
        ({"resolution": math.inf}, "resolution inf, expected 0 or more"),
    ],
)
def test_what_no_display_and_no_plan_can_have_is_refused(
    asked: dict[str, Any], told: str
) -> None:
    times = times_until(60.0)
    with pytest.raises(ValueError, match="expected") as refused:
        verdict_on(times, readings_at(times), **asked)
    assert str(refused.value) == told
