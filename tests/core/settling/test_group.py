"""Several channels of one trial: what begins, ends and withdraws an average, and what must not matter."""

import pickle
from collections.abc import Iterable, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.settling.group import SettlingGroup
from daq.settling.parameters import STANDARD
from daq.settling.phases import ChannelSetup, Phase, PhaseChange
from daq.settling.verdicts import HeldBackBy

STEADY = settings(derandomize=True, deadline=None, max_examples=25)
Readings = Sequence[tuple[str, float, float]]
"""Channel, time [s], value."""

LEVELS = {"power": 1000.0, "velocity": 12.0}
TOLERANCE = 0.005


def _setup(
    name: str, *, interval_s: float = 1.0, required: bool = True
) -> ChannelSetup:
    return ChannelSetup(name, TOLERANCE, LEVELS[name] * 1e-5, interval_s, required)


def _group(*setups: ChannelSetup, target: float | None = None) -> SettlingGroup:
    return SettlingGroup(
        setups or (_setup("power"),), start_s=0.0, parameters=STANDARD, target=target
    )


def _readings(
    name: str,
    until_s: float,
    *,
    from_s: float = 0.3,
    interval_s: float = 1.0,
    noise: float = 0.15,
    seed: int = 1,
) -> list[tuple[str, float, float]]:
    """A steady channel; its noise is given in tolerances."""
    times = np.arange(from_s, until_s, interval_s)
    scatter = np.random.default_rng(seed).normal(0.0, noise * TOLERANCE, times.size)
    return [
        (name, float(t), LEVELS[name] * (1.0 + float(e)))
        for t, e in zip(times, scatter, strict=True)
    ]


def _fed(
    group: SettlingGroup, readings: Iterable[tuple[str, float, float]]
) -> list[PhaseChange]:
    return [change for reading in readings for change in group.feed(*reading)]


def _in_time(*channels: Readings) -> Readings:
    return sorted((r for readings in channels for r in readings), key=lambda r: r[1])


def _shifted(readings: Readings, factor: float, *, after_s: float) -> Readings:
    return [(n, t, v * factor if t > after_s else v) for n, t, v in readings]


# ---- the way to an average


def test_a_steady_machine_goes_through_every_phase_once() -> None:
    group = _group()
    changes = _fed(group, _readings("power", 200.0))
    assert [c.phase for c in changes] == [
        Phase.SETTLING,
        Phase.AVERAGING,
        Phase.CONFIRMED,
    ]
    assert group.phase is Phase.CONFIRMED
    assert group.withdrawn == 0


def test_spikes_are_counted_from_the_end_of_run_up_on() -> None:
    group = _group()
    readings = _readings("power", 200.0)
    spoiled = [
        (n, t, 5.0 * v if index in {0, 60, 90} else v)
        for index, (n, t, v) in enumerate(readings)
    ]
    _fed(group, spoiled)
    assert group.phase is Phase.CONFIRMED
    assert group.spikes() == {"power": 2}
    untouched = _group()
    _fed(untouched, readings)
    assert untouched.spikes() == {}


def test_nothing_is_called_settled_before_the_least_averaging_time_has_passed() -> None:
    group = _group()
    times = {c.phase: c.at_s for c in _fed(group, _readings("power", 200.0))}
    assert times[Phase.CONFIRMED] - times[Phase.AVERAGING] == STANDARD.least_s
    assert group.window is not None
    assert group.window.end_s == times[Phase.CONFIRMED]
    assert group.window.start_s < times[Phase.AVERAGING]


def test_the_level_of_the_window_is_reported_with_all_its_readings() -> None:
    group = _group()
    _fed(group, _readings("power", 200.0))
    level, window = group.levels()["power"], group.window
    assert window is not None
    assert level.count == window.end_s - window.start_s
    assert abs(level.mean - LEVELS["power"]) <= level.expanded_uncertainty


def test_run_up_lasts_until_no_bin_differs_by_more_than_a_twentieth() -> None:
    # 40 s of run-up, 10 % from bin to bin, then steady.
    rising = [
        (name, t, value * min(1.0, 1.1 ** ((t - 40.0) // 2.0)))
        for name, t, value in _readings("power", 100.0)
    ]
    changes = _fed(_group(), rising)
    assert changes[0] == PhaseChange(Phase.SETTLING, 44.0)


def test_bins_are_two_seconds_or_two_intervals_of_the_slowest_required_channel() -> (
    None
):
    assert _group(_setup("power", interval_s=0.2)).bin_s == 2.0
    slow = _setup("velocity", interval_s=3.0)
    assert _group(_setup("power"), slow).bin_s == 6.0
    aside = _setup("velocity", interval_s=3.0, required=False)
    assert _group(_setup("power"), aside).bin_s == 2.0


def test_a_group_without_a_required_channel_is_refused() -> None:
    with pytest.raises(ValueError, match="no required channel"):
        _group(_setup("power", required=False))


def test_a_target_that_cannot_be_met_averages_for_the_longest_time() -> None:
    group = _group(target=1e-6)
    times = {c.phase: c.at_s for c in _fed(group, _readings("power", 300.0))}
    assert times[Phase.CONFIRMED] - times[Phase.AVERAGING] == STANDARD.longest_s


@pytest.mark.parametrize("noise", [0.5, 1.5, 2.5])
def test_without_a_target_averaging_ends_at_the_goal_or_at_the_longest_time(
    noise: float,
) -> None:
    group = _group()
    changes = _fed(group, _readings("power", 900.0, noise=noise))
    assert changes[-1].phase is Phase.CONFIRMED
    averaged_s = changes[-1].at_s - changes[-2].at_s
    level = group.levels()["power"]
    goal = STANDARD.goal * TOLERANCE * LEVELS["power"]
    assert STANDARD.least_s <= averaged_s <= STANDARD.longest_s
    assert (level.expanded_uncertainty <= goal) or averaged_s == STANDARD.longest_s


# ---- what withdraws it


def test_a_step_while_averaging_withdraws_the_declaration() -> None:
    group = _group()
    stepped = _shifted(_readings("power", 400.0), 1.015, after_s=70.0)
    changes = _fed(group, stepped)
    withdrawn = changes[2]
    assert withdrawn.phase is Phase.SETTLING
    assert withdrawn.reason is HeldBackBy.STEP
    assert 70.0 < withdrawn.at_s < 90.0
    assert group.withdrawn == 1


def test_after_a_step_only_readings_of_the_new_level_are_averaged() -> None:
    group = _group()
    _fed(group, _shifted(_readings("power", 400.0), 1.015, after_s=70.0))
    assert group.window is not None
    assert group.window.start_s >= 70.0
    level = group.levels()["power"]
    assert level.mean == pytest.approx(1015.0, abs=level.expanded_uncertainty)


def test_a_step_in_one_of_two_channels_withdraws_both() -> None:
    group = _group(_setup("power"), _setup("velocity"))
    stepped = _shifted(_readings("velocity", 120.0, seed=2), 0.98, after_s=70.0)
    changes = _fed(group, _in_time(_readings("power", 120.0), stepped))
    assert [c.reason for c in changes if c.reason] == [HeldBackBy.STEP]
    # Declared anew, provisionally; power did not step and loses its readings all the same.
    assert group.window is not None
    assert group.window.start_s >= 70.0
    assert group.levels() == {}


# ---- silence


def test_a_silent_required_channel_holds_the_trial_back() -> None:
    group = _group(_setup("power"), _setup("velocity"))
    readings = _in_time(_readings("power", 1500.0), _readings("velocity", 20.0, seed=2))
    _fed(group, readings)
    assert group.phase is Phase.SETTLING
    assert group.window is None


def test_a_required_channel_that_never_speaks_keeps_the_run_up_going() -> None:
    group = _group(_setup("power"), _setup("velocity"))
    assert _fed(group, _readings("power", 500.0)) == []


def test_a_silent_channel_that_is_not_required_holds_nobody_up() -> None:
    group = _group(_setup("power"), _setup("velocity", required=False))
    _fed(group, _readings("power", 300.0))
    assert group.phase is Phase.CONFIRMED
    assert set(group.levels()) == {"power"}


def test_a_required_channel_that_is_not_heard_is_held_back_by_gaps() -> None:
    never = _group(_setup("power"), _setup("velocity"))
    _fed(never, _readings("power", 60.0))
    assert never.progress("velocity").held_back_by is HeldBackBy.GAPS
    fallen = _group(_setup("power"), _setup("velocity"))
    few = _readings("velocity", 20.0, seed=2)
    _fed(fallen, _in_time(_readings("power", 60.0), few))
    assert fallen.phase is Phase.SETTLING
    assert fallen.progress("velocity").held_back_by is HeldBackBy.GAPS


@pytest.mark.parametrize(("bins_of_ten", "is_averaged"), [(8, True), (6, False)])
def test_a_channel_that_nobody_waits_for_is_averaged_where_seven_tenths_are_there(
    bins_of_ten: int,
    is_averaged: bool,  # noqa: FBT001 - a parameter of the test, not of an interface
) -> None:
    group = _group(_setup("power"), _setup("velocity", required=False))
    # Of every ten bins of two seconds the first so many are there.
    some = [
        r
        for r in _readings("velocity", 300.0, seed=2)
        if r[1] % 20.0 < 2.0 * bins_of_ten
    ]
    _fed(group, _in_time(_readings("power", 300.0), some))
    assert group.phase is Phase.CONFIRMED
    assert ("velocity" in group.levels()) == is_averaged


def test_a_channel_that_is_not_required_is_averaged_over_the_same_window() -> None:
    group = _group(_setup("power"), _setup("velocity", required=False))
    readings = _readings("velocity", 300.0, seed=2)
    _fed(group, _in_time(_readings("power", 300.0), readings))
    window, level = group.window, group.levels()["velocity"]
    assert window is not None
    inside = [v for _, t, v in readings if window.start_s <= t < window.end_s]
    assert level.count == len(inside)
    # Two readings in every bin, so the mean of the bins is the mean of the readings.
    assert level.mean == pytest.approx(float(np.mean(inside)), rel=1e-12)


def test_a_short_dropout_costs_nothing() -> None:
    group = _group()
    readings = [r for r in _readings("power", 300.0) if not 60.0 < r[1] < 68.0]
    changes = _fed(group, readings)
    assert changes[-1].phase is Phase.CONFIRMED
    assert group.withdrawn == 0


def test_a_silence_while_averaging_is_not_confirmed_by_the_first_reading_after_it() -> (
    None
):
    group = _group()
    before = [r for r in _readings("power", 2000.0) if r[1] < 80.0]
    after = [r for r in _readings("power", 2000.0) if r[1] > 900.0]
    changes = _fed(group, [*before, *after])
    assert HeldBackBy.GAPS in [c.reason for c in changes]
    assert group.phase is Phase.CONFIRMED
    assert group.window is not None
    # Not a window from 80 s to 900 s: at most 30 % of its bins may be missing.
    assert group.window.end_s - group.window.start_s <= 240.0 + STANDARD.longest_s
    seconds = group.window.end_s - group.window.start_s
    assert group.levels()["power"].count >= STANDARD.least_share * seconds


def test_two_required_channels_settle_together_over_one_window() -> None:
    group = _group(_setup("power"), _setup("velocity"))
    late = _shifted(_readings("velocity", 400.0, seed=2), 1.015, after_s=50.0)
    _fed(group, _in_time(_readings("power", 400.0), late))
    assert group.phase is Phase.CONFIRMED
    assert group.window is not None
    assert group.window.start_s >= 48.0
    counts = {level.count for level in group.levels().values()}
    assert counts == {round(group.window.end_s - group.window.start_s)}


def test_progress_names_what_holds_a_channel_back_and_later_its_level() -> None:
    group = _group(_setup("power"), _setup("velocity"))
    drifting = [
        (n, t, v * (1.0 + 2e-4 * t)) for n, t, v in _readings("velocity", 100.0, seed=2)
    ]
    _fed(group, _in_time(_readings("power", 100.0), drifting))
    assert group.progress("velocity").held_back_by is HeldBackBy.DRIFT
    assert group.progress("power").held_back_by is None
    assert group.progress("power").mean is None

    alone = _group()
    _fed(alone, _readings("power", 200.0))
    assert alone.progress("power").mean == alone.levels()["power"].mean
    assert alone.progress("power").held_back_by is None


def test_time_since_the_declaration_is_told_while_averaging() -> None:
    group = _group()
    changes = _fed(group, _readings("power", 60.0))
    assert changes[-1].phase is Phase.AVERAGING
    # Bins close when a reading of the next one arrives: 58 s is the last whole bin before 59.3 s.
    assert group.averaging_s() == 58.0 - changes[-1].at_s
    assert _group().averaging_s() == 0.0


# ---- what must not matter


@STEADY
@given(
    st.lists(st.floats(0.05, 2.0), min_size=1, max_size=30),
    st.permutations(["power", "velocity"]),
)
def test_the_answer_does_not_depend_on_how_the_readings_are_cut_into_blocks(
    blocks_s: list[float], first_to_last: list[str]
) -> None:
    power = _readings("power", 200.0, interval_s=0.5)
    velocity = _readings("velocity", 200.0, from_s=0.7, seed=2)
    setups = (_setup("power", interval_s=0.5), _setup("velocity"))
    in_time = _group(*setups)
    expected = _fed(in_time, _in_time(power, velocity))

    channels = [{"power": power, "velocity": velocity}[n] for n in first_to_last]
    in_blocks, end_s, number = _group(*setups), 0.0, 0
    changes: list[PhaseChange] = []
    while end_s < 200.0:
        start_s, end_s = end_s, end_s + blocks_s[number % len(blocks_s)]
        number += 1
        for readings in channels:
            changes += _fed(in_blocks, [r for r in readings if start_s <= r[1] < end_s])

    assert in_time.phase is Phase.CONFIRMED
    assert changes == expected
    assert in_blocks.window == in_time.window
    assert in_blocks.levels() == in_time.levels()


def test_readings_after_confirmation_change_nothing() -> None:
    group = _group()
    _fed(group, _readings("power", 200.0))
    window, levels = group.window, group.levels()
    nonsense = [("power", 200.0 + i, 7.0 * i) for i in range(500)]
    assert _fed(group, nonsense) == []
    assert (group.window, group.levels()) == (window, levels)


@pytest.mark.parametrize("future", [0.5, 1.0, 1.004, 3.0])
def test_what_comes_later_does_not_change_what_was_said_before(future: float) -> None:
    readings = _readings("power", 200.0)
    expected = _fed(_group(), readings)
    for cut_s in (30.0, 60.0, 90.0):
        changes = _fed(_group(), _shifted(readings, future, after_s=cut_s))
        # A bin is judged when the next one begins, so all that was said up to the cut must agree.
        before = [c for c in expected if c.at_s <= cut_s]
        assert [c for c in changes if c.at_s <= cut_s] == before


def test_a_record_cut_right_after_confirmation_gives_the_same_answer() -> None:
    whole, cut = _group(), _group()
    for name, at_s, value in _readings("power", 400.0):
        whole.feed(name, at_s, value)
        if cut.phase is not Phase.CONFIRMED:
            cut.feed(name, at_s, value)
    assert cut.phase is Phase.CONFIRMED
    assert (cut.window, cut.levels()) == (whole.window, whole.levels())


def test_one_spike_hardly_moves_the_level() -> None:
    plain, spiked = _group(), _group()
    readings = _readings("power", 200.0)
    _fed(plain, readings)
    _fed(spiked, [(n, t, 5.0 * v if 60.0 < t < 61.0 else v) for n, t, v in readings])
    assert spiked.phase is Phase.CONFIRMED
    # One reading of a hundred is left out: its share of the noise, no more.
    assert spiked.levels()["power"].mean == pytest.approx(
        plain.levels()["power"].mean, abs=0.01 * TOLERANCE * LEVELS["power"]
    )


# ---- for ever


def _wandering_for(hours: float) -> SettlingGroup:
    """A level that rises by 72 % in an hour and falls as fast in the next; read every five seconds."""
    group = _group(_setup("power", interval_s=5.0))
    generator = np.random.default_rng(1)
    for at_s in range(0, int(hours * 3600.0), 5):
        rising_s = 3600.0 - abs(at_s % 7200 - 3600.0)
        level = LEVELS["power"] * (1.0 + 2e-4 * rising_s)
        group.feed("power", at_s, level + float(generator.normal(0.0, 1.0)))
    return group


@pytest.mark.slow
def test_a_day_without_settling_takes_no_more_memory_than_two_hours() -> None:
    hours, day = _wandering_for(2.0), _wandering_for(24.0)
    assert day.phase is hours.phase is Phase.SETTLING
    # The whole state as bytes; counts grow by a digit or two.
    assert len(pickle.dumps(day)) < 1.05 * len(pickle.dumps(hours))


@pytest.mark.slow
def test_a_channel_silent_for_hours_takes_no_more_memory_than_for_minutes() -> None:
    sizes = []
    for until_s in (1000.0, 10_000.0):
        group = _group(_setup("power"), _setup("velocity"))
        few = _readings("velocity", 80.0, seed=2)
        _fed(group, _in_time(_readings("power", until_s), few))
        sizes.append(len(pickle.dumps(group)))
    assert sizes[1] < 1.05 * sizes[0]
