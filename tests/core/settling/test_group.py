"""Several channels of one trial: what begins, ends and withdraws an average, and what is told meanwhile."""

from dataclasses import replace

import numpy as np
import pytest

from daq.settling.group import SettlingGroup
from daq.settling.parameters import STANDARD
from daq.settling.phases import Phase, PhaseChange
from daq.settling.verdicts import HeldBackBy
from tests.core.settling.readings import (
    BOTH,
    LEVELS,
    TOLERANCE,
    channel,
    fed,
    group_of,
    in_time,
    shifted,
    steady,
)

# ---- the way to an average


def test_a_steady_machine_goes_through_every_phase_once() -> None:
    group = group_of()
    changes = fed(group, steady("power", 200.0))
    assert [c.phase for c in changes] == [
        Phase.SETTLING,
        Phase.AVERAGING,
        Phase.CONFIRMED,
    ]
    assert group.phase is Phase.CONFIRMED
    assert group.withdrawn == 0


def test_spikes_are_counted_from_the_end_of_run_up_on() -> None:
    group = group_of()
    readings = steady("power", 200.0)
    spoiled = [
        (n, t, 5.0 * v if index in {0, 60, 90} else v)
        for index, (n, t, v) in enumerate(readings)
    ]
    fed(group, spoiled)
    assert group.phase is Phase.CONFIRMED
    assert group.spikes() == {"power": 2}
    untouched = group_of()
    fed(untouched, readings)
    assert untouched.spikes() == {}


def test_nothing_is_called_settled_before_the_least_averaging_time_has_passed() -> None:
    group = group_of()
    times = {c.phase: c.at_s for c in fed(group, steady("power", 200.0))}
    assert times[Phase.CONFIRMED] - times[Phase.AVERAGING] == STANDARD.least_s
    assert group.window is not None
    assert group.window.end_s == times[Phase.CONFIRMED]
    assert group.window.start_s < times[Phase.AVERAGING]


def test_the_level_of_the_window_is_reported_with_all_itssteady() -> None:
    group = group_of()
    fed(group, steady("power", 200.0))
    level, window = group.levels()["power"], group.window
    assert window is not None
    assert level.count == window.end_s - window.start_s
    assert abs(level.mean - LEVELS["power"]) <= level.expanded_uncertainty


def test_run_up_lasts_until_no_bin_differs_by_more_than_a_twentieth() -> None:
    # 40 s of run-up, 10 % from bin to bin, then steady.
    rising = [
        (name, t, value * min(1.0, 1.1 ** ((t - 40.0) // 2.0)))
        for name, t, value in steady("power", 100.0)
    ]
    changes = fed(group_of(), rising)
    assert changes[0] == PhaseChange(Phase.SETTLING, 44.0)


def test_bins_are_two_seconds_or_two_intervals_of_the_slowest_required_channel() -> (
    None
):
    assert group_of(channel("power", interval_s=0.2)).bin_s == 2.0
    slow = channel("velocity", interval_s=3.0)
    assert group_of(channel("power"), slow).bin_s == 6.0
    aside = channel("velocity", interval_s=3.0, required=False)
    assert group_of(channel("power"), aside).bin_s == 2.0


def test_a_group_without_a_required_channel_is_refused() -> None:
    with pytest.raises(ValueError, match="no required channel"):
        group_of(channel("power", required=False))


def test_a_target_that_cannot_be_met_averages_for_the_longest_time() -> None:
    group = group_of(target=1e-6)
    times = {c.phase: c.at_s for c in fed(group, steady("power", 500.0))}
    assert times[Phase.CONFIRMED] - times[Phase.AVERAGING] == STANDARD.longest_s


def test_a_target_that_is_met_ends_averaging_as_soon_as_it_may() -> None:
    # Half of what the rule itself would be content with, and three times as much.
    level = LEVELS["power"]
    tight = 0.5 * STANDARD.goal * TOLERANCE
    changes = {}
    for target in (tight, 6.0 * tight):
        group = group_of(target=target)
        changes[target] = fed(group, steady("power", 900.0, noise=1.5))
        assert group.phase is Phase.CONFIRMED
        reached = group.levels()["power"].expanded_uncertainty
        averaged_s = changes[target][-1].at_s - changes[target][-2].at_s
        assert reached <= target * level or averaged_s == STANDARD.longest_s
    assert changes[tight][-1].at_s > changes[6.0 * tight][-1].at_s


def test_a_target_of_a_channel_that_reads_zero_is_no_obstacle() -> None:
    # A share of nothing is nothing: the rule's own goal stands.
    group = group_of(channel(resolution=0.0), target=0.001)
    for at_s in range(400):
        group.feed("power", at_s + 0.3, 0.0)
        group.time_left_s()
    assert group.phase is Phase.CONFIRMED
    assert group.levels()["power"].mean == 0.0


@pytest.mark.parametrize("noise", [0.5, 1.5, 2.5])
def test_without_a_target_averaging_ends_at_the_goal_or_at_the_longest_time(
    noise: float,
) -> None:
    group = group_of()
    changes = fed(group, steady("power", 900.0, noise=noise))
    assert changes[-1].phase is Phase.CONFIRMED
    averaged_s = changes[-1].at_s - changes[-2].at_s
    level = group.levels()["power"]
    goal = STANDARD.goal * TOLERANCE * LEVELS["power"]
    assert STANDARD.least_s <= averaged_s <= STANDARD.longest_s
    assert (level.expanded_uncertainty <= goal) or averaged_s == STANDARD.longest_s


# ---- what withdraws it


def test_a_step_while_averaging_withdraws_the_declaration() -> None:
    group = group_of()
    stepped = shifted(steady("power", 400.0), 1.015, after_s=70.0)
    changes = fed(group, stepped)
    withdrawn = changes[2]
    assert withdrawn.phase is Phase.SETTLING
    assert withdrawn.reason is HeldBackBy.STEP
    assert 70.0 < withdrawn.at_s < 90.0
    assert group.withdrawn == 1


def test_after_a_step_only_readings_of_the_new_level_are_averaged() -> None:
    group = group_of()
    fed(group, shifted(steady("power", 400.0), 1.015, after_s=70.0))
    assert group.window is not None
    assert group.window.start_s >= 70.0
    level = group.levels()["power"]
    assert level.mean == pytest.approx(1015.0, abs=level.expanded_uncertainty)


def test_a_step_in_one_of_two_channels_withdraws_both() -> None:
    group = group_of(*BOTH)
    stepped = shifted(steady("velocity", 600.0, seed=2), 0.98, after_s=70.0)
    changes = fed(group, in_time(steady("power", 600.0), stepped))
    assert [c.reason for c in changes if c.reason] == [HeldBackBy.STEP]
    # Power did not step and loses its readings all the same: both are averaged over one window.
    assert group.phase is Phase.CONFIRMED
    assert group.window is not None
    assert group.window.start_s >= 69.0
    counts = {level.count for level in group.levels().values()}
    assert counts == {round(group.window.end_s - group.window.start_s)}


# ---- silence


def test_only_the_channel_that_stepped_is_to_blame() -> None:
    group = group_of(*BOTH)
    stepping = shifted(steady("power", 110.0), 1.03, after_s=80.0)
    fed(group, in_time(stepping, steady("velocity", 110.0, seed=2)))
    assert group.why_not("power") is HeldBackBy.STEP
    assert group.why_not("velocity") is None
    assert group.progress("velocity").held_back_by is None


def test_a_silent_required_channel_holds_the_trial_back() -> None:
    group = group_of(*BOTH)
    readings = in_time(steady("power", 1500.0), steady("velocity", 20.0, seed=2))
    fed(group, readings)
    assert group.phase is Phase.SETTLING
    assert group.window is None


def test_a_required_channel_that_never_speaks_keeps_the_run_up_going() -> None:
    group = group_of(*BOTH)
    assert fed(group, steady("power", 500.0)) == []


def test_a_silent_channel_that_is_not_required_holds_nobody_up() -> None:
    group = group_of(channel("power"), channel("velocity", required=False))
    fed(group, steady("power", 300.0))
    assert group.phase is Phase.CONFIRMED
    assert set(group.levels()) == {"power"}


def test_a_required_channel_that_is_not_heard_is_held_back_by_gaps() -> None:
    never = group_of(*BOTH)
    fed(never, steady("power", 60.0))
    assert never.progress("velocity").held_back_by is HeldBackBy.GAPS
    fallen = group_of(*BOTH)
    few = steady("velocity", 20.0, seed=2)
    fed(fallen, in_time(steady("power", 60.0), few))
    assert fallen.phase is Phase.SETTLING
    assert fallen.progress("velocity").held_back_by is HeldBackBy.GAPS


@pytest.mark.parametrize(("bins_of_ten", "is_averaged"), [(8, True), (6, False)])
def test_a_channel_that_nobody_waits_for_is_averaged_where_seven_tenths_are_there(
    bins_of_ten: int,
    is_averaged: bool,  # noqa: FBT001 - a parameter of the test, not of an interface
) -> None:
    group = group_of(channel("power"), channel("velocity", required=False))
    # Of every ten bins of two seconds the first so many are there.
    some = [
        r for r in steady("velocity", 300.0, seed=2) if r[1] % 20.0 < 2.0 * bins_of_ten
    ]
    fed(group, in_time(steady("power", 300.0), some))
    assert group.phase is Phase.CONFIRMED
    assert ("velocity" in group.levels()) == is_averaged


def test_a_channel_that_is_not_required_is_averaged_over_the_same_window() -> None:
    group = group_of(channel("power"), channel("velocity", required=False))
    readings = steady("velocity", 300.0, seed=2)
    fed(group, in_time(steady("power", 300.0), readings))
    window, level = group.window, group.levels()["velocity"]
    assert window is not None
    inside = [v for _, t, v in readings if window.start_s <= t < window.end_s]
    assert level.count == len(inside)
    # Two readings in every bin, so the mean of the bins is the mean of the readings; noises are weighed for the level.
    assert level.plain_mean == pytest.approx(float(np.mean(inside)), rel=1e-12)
    assert abs(level.mean - LEVELS["velocity"]) <= level.expanded_uncertainty


def test_a_short_dropout_costs_nothing() -> None:
    group = group_of()
    readings = [r for r in steady("power", 300.0) if not 60.0 < r[1] < 68.0]
    changes = fed(group, readings)
    assert changes[-1].phase is Phase.CONFIRMED
    assert group.withdrawn == 0


def test_a_silence_while_averaging_is_not_confirmed_by_the_first_reading_after_it() -> (
    None
):
    group = group_of()
    before = [r for r in steady("power", 2000.0) if r[1] < 80.0]
    after = [r for r in steady("power", 2000.0) if r[1] > 900.0]
    changes = fed(group, [*before, *after])
    assert HeldBackBy.GAPS in [c.reason for c in changes]
    assert group.phase is Phase.CONFIRMED
    assert group.window is not None
    # Not a window from 80 s to 900 s: at most 30 % of its bins may be missing.
    assert group.window.end_s - group.window.start_s <= 240.0 + STANDARD.longest_s
    seconds = group.window.end_s - group.window.start_s
    assert group.levels()["power"].count >= STANDARD.least_share * seconds


def test_two_required_channels_settle_together_over_one_window() -> None:
    group = group_of(*BOTH)
    late = shifted(steady("velocity", 400.0, seed=2), 1.015, after_s=50.0)
    fed(group, in_time(steady("power", 400.0), late))
    assert group.phase is Phase.CONFIRMED
    assert group.window is not None
    assert group.window.start_s >= 48.0
    counts = {level.count for level in group.levels().values()}
    assert counts == {round(group.window.end_s - group.window.start_s)}


def test_progress_names_what_holds_a_channel_back_and_later_its_level() -> None:
    group = group_of(*BOTH)
    drifting = [
        (n, t, v * (1.0 + 2e-4 * t)) for n, t, v in steady("velocity", 100.0, seed=2)
    ]
    fed(group, in_time(steady("power", 100.0), drifting))
    assert group.progress("velocity").held_back_by is HeldBackBy.DRIFT
    assert group.progress("power").held_back_by is None
    assert group.progress("power").mean is None

    alone = group_of()
    fed(alone, steady("power", 200.0))
    assert alone.progress("power").mean == alone.levels()["power"].mean
    assert alone.progress("power").held_back_by is None


def test_time_since_the_declaration_is_told_while_averaging() -> None:
    group = group_of()
    changes = fed(group, steady("power", 60.0))
    assert changes[-1].phase is Phase.AVERAGING
    # Bins close when a reading of the next one arrives: 58 s is the last whole bin before 59.3 s.
    assert group.averaging_s() == 58.0 - changes[-1].at_s
    assert group_of().averaging_s() == 0.0


# ---- one window for all


def test_the_common_window_reaches_back_no_further_than_any_channels_own() -> None:
    noisy = steady("velocity", 400.0, noise=6.0, seed=5)
    group, readings = group_of(*BOTH), in_time(steady("power", 400.0), noisy)
    declared = next(r for r in readings if group.feed(*r)[-1:] == [_declared(group)])
    # Velocity needed a longer window than the shortest: with that alone it would still be settling.
    only_shortest = replace(STANDARD, windows_s=STANDARD.windows_s[:1])
    alone = group_of(channel("velocity"), parameters=only_shortest)
    fed(alone, [r for r in noisy if r[1] <= declared[1]])
    assert alone.phase is Phase.SETTLING
    # Power did not, and what came before its window is not averaged of either.
    assert group.window is not None
    assert group.window.end_s - group.window.start_s == STANDARD.windows_s[0]


def _declared(group: SettlingGroup) -> PhaseChange | None:
    """The change to averaging, once it is there."""
    at_s = group.declared_s
    return None if at_s is None else PhaseChange(Phase.AVERAGING, at_s)
