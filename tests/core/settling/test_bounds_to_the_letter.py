"""Single branches of what the rule holds against a tolerance, each where nothing else decides."""

import math
from dataclasses import replace

import numpy as np
import pytest

from daq.settling.disturbances import DisturbanceLog, JumpWatch
from daq.settling.front_end import bin_of
from daq.settling.parameters import STANDARD
from daq.settling.phases import Phase
from daq.settling.verdicts import HeldBackBy
from daq.settling.window import AveragingWindow
from daq.stats import student_t_quantile
from tests.core.settling.readings import (
    BOTH,
    LEVELS,
    LIMIT,
    channel,
    fed,
    group_of,
    in_time,
    steady,
)
from tests.core.settling.records import times_until, verdict_on


def _bound(resolution: float) -> float:
    """Of a drift far beyond the tolerance, twenty readings a bin: too many values to look for the display's step."""
    group = group_of(channel(interval_s=0.1, resolution=resolution))
    noise = np.random.default_rng(4).normal(0.0, 0.1 * LIMIT, 700)
    for i, e in enumerate(noise.tolist()):
        at_s = 0.05 + 0.1 * i
        group.feed("power", at_s, LEVELS["power"] + 0.3 * LIMIT * at_s + e)
    point = group.funnel("power")
    assert point is not None
    assert point.bound is not None
    return point.bound


def test_rounding_is_left_aside_where_it_is_little_of_a_bound_that_is_too_large() -> (
    None
):
    bare = _bound(1e-9)
    assert bare > 10.0 * LIMIT
    assert _bound(0.02 * LIMIT) == bare


def test_a_steady_channel_does_not_hide_that_another_drifts_while_averaging() -> None:
    # Slower than detection expects: it is declared with more than the tolerance left, and while averaging that shows.
    tau_s = 2.0 * STANDARD.tau_max_s
    drifting = [
        (name, t, value + 5.0 * LIMIT * math.exp(-t / tau_s))
        for name, t, value in steady("power", 400.0, noise=0.02)
    ]
    group = group_of(*BOTH)
    changes = fed(group, in_time(drifting, steady("velocity", 400.0, noise=0.02)))
    declared, withdrawn = (
        next(c for c in changes if c.phase is Phase.AVERAGING),
        next(c for c in changes if c.reason),
    )
    assert withdrawn.reason is HeldBackBy.DRIFT
    assert withdrawn.at_s - declared.at_s < STANDARD.longest_s


def test_a_record_without_load_was_never_declared() -> None:
    # A steady flicker of a step about zero: it would be declared at once if it were a level.
    flicker = np.random.default_rng(2).integers(-1, 2, 400) / 10.0
    verdict = verdict_on(times_until(400.0), flicker, resolution=0.1)
    assert verdict.why_not is HeldBackBy.NO_LOAD
    assert verdict.provisional == 0


@pytest.mark.parametrize("seconds", [50.0, 300.0])
def test_what_did_not_settle_is_as_uncertain_as_its_drift_goes_on(
    seconds: float,
) -> None:
    # A ramp of a tenth of the tolerance a second, and next to no noise.
    slope = 0.1 * LIMIT
    ramp = [
        (name, t, value + slope * t)
        for name, t, value in steady("power", seconds, noise=1e-3)
    ]
    group = group_of()
    fed(group, ramp)
    unsettled = group.unsettled()
    assert unsettled is not None
    window, levels = unsettled
    span_s = window.end_s - window.start_s
    # What it changed by in the window, or would with the slowest decay; half-width of a rectangle.
    width = slope * span_s * max(1.0, STANDARD.tau_max_s / span_s)
    assert levels["power"].open_drift == pytest.approx(width / math.sqrt(3.0), rel=0.02)


def test_after_a_step_the_next_window_begins_a_bin_before_it_was_last_seen() -> None:
    # Two bins are held against the five before them: of 3.5 tolerances all, 2.8, 2.1 and 1.4 are seen; 0.7 is no jump.
    step_s, bin_s = 70.0, 2.0
    shown = [
        (name, t, value + (3.5 * LIMIT if t >= step_s else 0.0))
        for name, t, value in steady("power", 140.0, noise=0.02)
    ]
    changes = fed(group_of(), shown)
    declared = [c.at_s for c in changes if c.phase is Phase.AVERAGING]
    last_seen_s = step_s + 4.0 * bin_s
    full_s = last_seen_s - bin_s + STANDARD.windows_s[0]
    assert declared[1:] == [full_s + (STANDARD.persistence - 1) * bin_s]


def test_half_of_the_changes_may_be_large_before_the_median_hides_a_jump() -> None:
    # Changes over three bins: three of 0 and three of 1, median 0.5, so the noise is 0.87 · 0.5 / 0.954 · (1 + 4/6).
    noise = 0.87 * 0.5 / 0.954 * (1.0 + 4.0 / 6.0)
    level = LEVELS["power"]
    before = [level] * 6 + [level + 1.0] * 3
    for share, is_seen in ((1.05, True), (0.95, False)):
        # The last two bins against the five before these, whose mean is 0.4 above the level.
        departure = share * STANDARD.jump_noise * noise
        last = level + 2.0 * (departure + 0.4) - 1.0
        # What the rise of 1 itself departs by is allowed.
        watch = JumpWatch(
            tolerance=1e-3, resolution=1e-6, parameters=replace(STANDARD, jump=1.2)
        )
        seen = [watch.sees_jump(bin_of([mean])) for mean in (*before, last)]
        assert seen == [False] * 9 + [is_seen]


def test_the_noise_before_a_jump_is_that_of_the_last_twenty_changes() -> None:
    # Over three bins nothing changed for long, then ten times by 1: of the last twenty the median is 0.5, of one more 0.
    noise = 0.87 * 0.5 / 0.954 * (1.0 + 4.0 / 20.0)
    level = LEVELS["power"]
    before = [level] * 30 + [level + 1.0 + number // 3 for number in range(10)]
    for share, is_seen in ((1.05, True), (0.95, False)):
        # The last two bins against the five before these, whose mean is 2.6 above the level.
        departure = share * STANDARD.jump_noise * noise
        last = level + 2.0 * (departure + 2.6) - 4.0
        watch = JumpWatch(
            tolerance=1e-3, resolution=1e-6, parameters=replace(STANDARD, jump=2.5)
        )
        seen = [watch.sees_jump(bin_of([mean])) for mean in (*before, last)]
        assert seen == [False] * 40 + [is_seen]


@pytest.mark.parametrize("step", [1e-4, 0.2])
def test_a_level_s_expanded_uncertainty_is_that_of_its_parts(step: float) -> None:
    # Rounded to a fifth of a tolerance it hardly moves; to next to nothing it shows all of its noise.
    group = group_of(channel(resolution=step * LIMIT))
    fed(
        group,
        [
            (name, t, round(value / (step * LIMIT)) * step * LIMIT)
            for name, t, value in steady("power", 400.0, noise=0.02)
        ],
    )
    level = group.levels()["power"]
    assert level.degrees_of_freedom == max(2.0, level.effective_count - 2.0)
    # What rounding may hide is half a step at most, rectangular, and calibrated as the rest is.
    t = student_t_quantile(0.975, level.degrees_of_freedom)
    rounding = STANDARD.scale * level.half_step / math.sqrt(3.0)
    expected = math.hypot(
        t * level.std_uncertainty, 1.96 * rounding, 1.96 * level.open_drift
    )
    assert (level.half_step > 0.05 * LIMIT) is (step > 0.1)
    assert level.expanded_uncertainty == pytest.approx(expected, rel=1e-9)


def test_what_happens_within_eight_bins_is_one_disturbance() -> None:
    log = DisturbanceLog(STANDARD, bin_s=2.0)
    log.begin(5)
    log.add(105)
    # A hundred bins of quiet before the only one.
    assert (log.count, log.quiet_s()) == (1, STANDARD.quiet_after_one * 200.0)
    for at_bin in (113, 121, 129):
        log.add(at_bin)
    assert log.count == 1
    log.add(138)
    # Nine bins: it comes again, and the time before the first is no time between two.
    assert (log.count, log.quiet_s()) == (2, STANDARD.quiet_least_s)
    log.add(238)
    assert (log.count, log.quiet_s()) == (3, STANDARD.quiet_after_more * 200.0)
    log.add(248)
    assert (log.count, log.quiet_s()) == (4, STANDARD.quiet_after_more * 200.0)


def test_an_unsettled_trial_is_averaged_over_its_last_two_minutes() -> None:
    slope = 0.1 * LIMIT
    ramp = [
        (name, t, value + slope * t)
        for name, t, value in steady("power", 300.0, noise=1e-3)
    ]
    group = group_of()
    fed(group, ramp)
    unsettled = group.unsettled()
    assert unsettled is not None
    assert unsettled[0].end_s - unsettled[0].start_s == 120.0


def test_before_anything_is_known_a_quarter_of_what_may_be_added_is_expected() -> None:
    expected_s = STANDARD.least_s + 0.25 * (STANDARD.longest_s - STANDARD.least_s)
    assert AveragingWindow.likely_s(STANDARD) == pytest.approx(expected_s)
