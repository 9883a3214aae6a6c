"""What must not matter: how readings are cut into blocks, what comes later, who asks meanwhile, how long it goes on."""

import math
import pickle
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.settling.front_end import Bin, bin_of
from daq.settling.group import SettlingGroup
from daq.settling.parameters import STANDARD
from daq.settling.phases import ChannelSetup, Phase, PhaseChange
from daq.settling.rule import GroupRule
from tests.core.settling.readings import (
    BOTH,
    LEVELS,
    TOLERANCE,
    Readings,
    channel,
    fed,
    group_of,
    in_time,
    shifted,
    steady,
)

STEADY = settings(derandomize=True, deadline=None, max_examples=15)
NAMES = ["power", "velocity", "temperature"]


def _told(group: SettlingGroup) -> tuple[object, ...]:
    """Everything that a group says; compared to the bit."""
    return (
        group.phase,
        group.window,
        group.declared_s,
        group.withdrawn,
        group.levels(),
        group.spikes(),
        group.averaging_s(),
        group.time_left_s(),
        [group.progress(name) for name in ("power", "velocity")],
        [group.why_not(name) for name in ("power", "velocity")],
        group.unsettled() if group.phase is not Phase.CONFIRMED else None,
    )


def _trial() -> SettlingGroup:
    """Two channels that are waited for and one that is not."""
    third = ChannelSetup("temperature", TOLERANCE, 0.1, 5.0, required=False)
    return group_of(channel("power", interval_s=0.5), channel("velocity"), third)


def _readings(until_s: float = 280.0) -> Readings:
    """A step that withdraws a declaration, spikes, a hole, and unequal spacings; settled in the end."""
    power = shifted(
        steady("power", until_s, interval_s=0.5, noise=0.3), 1.02, after_s=52.0
    )
    spiked = [
        (n, t, 3.0 * v if i % 61 == 60 else v) for i, (n, t, v) in enumerate(power)
    ]
    velocity = [
        r
        for r in steady("velocity", until_s, from_s=0.7, seed=2, noise=0.4)
        if not 100.0 < r[1] < 106.0
    ]
    slow = [
        ("temperature", float(t), 20.0 + 0.01 * t) for t in np.arange(1.0, until_s, 5.0)
    ]
    return in_time(spiked, velocity, slow)


def _fed_in_blocks(
    group: SettlingGroup,
    readings: Readings,
    cuts: Sequence[int],
    *,
    names: Sequence[str] = NAMES,
) -> list[PhaseChange]:
    """Feed blocks that end at the given positions, and what is left."""
    changes: list[PhaseChange] = []
    for begin, end in zip([0, *cuts], [*cuts, len(readings)], strict=True):
        block = readings[begin:end]
        changes += group.feed_block(
            names,
            np.array([names.index(name) for name, _, _ in block], np.intp),
            np.array([t for _, t, _ in block], np.float64),
            np.array([value for _, _, value in block], np.float64),
        )
    return changes


# ---- blocks


@pytest.mark.slow
@STEADY
@given(st.lists(st.integers(0, len(_readings())), max_size=30).map(sorted))
def test_blocks_cut_anywhere_give_what_single_readings_give_to_the_bit(
    cuts: list[int],
) -> None:
    readings = _readings()
    single, blocks = _trial(), _trial()
    expected = fed(single, readings)
    assert (single.phase, single.withdrawn) == (Phase.CONFIRMED, 1)
    assert _fed_in_blocks(blocks, readings, cuts) == expected
    assert _told(blocks) == _told(single)


@pytest.mark.parametrize("size", [1, 2, 7, 100_000])
def test_blocks_of_one_size_give_what_single_readings_give_to_the_bit(
    size: int,
) -> None:
    readings = _readings()
    single, blocks = _trial(), _trial()
    expected = fed(single, readings)
    cuts = list(range(size, len(readings), size))
    assert _fed_in_blocks(blocks, readings, cuts) == expected
    assert _told(blocks) == _told(single)


def test_blocks_and_single_readings_may_take_turns() -> None:
    readings = _readings()
    single, mixed = _trial(), _trial()
    expected, changes = fed(single, readings), []
    for begin in range(0, len(readings), 40):
        changes += fed(mixed, readings[begin : begin + 13])
        changes += _fed_in_blocks(mixed, readings[begin + 13 : begin + 40], [])
    assert changes == expected
    assert _told(mixed) == _told(single)


@pytest.mark.slow
def test_what_a_block_says_before_the_end_is_what_single_readings_say() -> None:
    readings = _readings()
    for cut in range(5, len(readings), 97):
        single, blocks = _trial(), _trial()
        fed(single, readings[:cut])
        _fed_in_blocks(blocks, readings[:cut], [cut // 3])
        assert _told(blocks) == _told(single)


def test_a_block_without_readings_changes_nothing() -> None:
    readings = _readings()[:300]
    group, untouched = _trial(), _trial()
    fed(group, readings)
    fed(untouched, readings)
    assert _fed_in_blocks(group, [], []) == []
    assert _told(group) == _told(untouched)


def test_a_block_of_some_channels_leaves_the_others_waiting() -> None:
    readings = _readings()[:300]
    blocks, again = _trial(), _trial()
    third = [r for r in readings if r[0] == "temperature"]
    both = [r for r in readings if r[0] != "temperature"]
    fed(again, [*third, *both])
    fed(blocks, third)
    _fed_in_blocks(blocks, both, [100], names=["velocity", "power"])
    assert _told(blocks) == _told(again)


@pytest.mark.slow
@STEADY
@given(
    st.lists(st.floats(0.05, 2.0), min_size=1, max_size=30),
    st.permutations(["power", "velocity"]),
)
def test_the_answer_does_not_depend_on_which_channels_readings_arrive_first(
    blocks_s: list[float], first_to_last: list[str]
) -> None:
    power = steady("power", 200.0, interval_s=0.5)
    velocity = steady("velocity", 200.0, from_s=0.7, seed=2)
    setups = (channel("power", interval_s=0.5), channel("velocity"))
    ordered = group_of(*setups)
    expected = fed(ordered, in_time(power, velocity))

    channels = [{"power": power, "velocity": velocity}[n] for n in first_to_last]
    in_turns, end_s, number = group_of(*setups), 0.0, 0
    changes: list[PhaseChange] = []
    while end_s < 200.0:
        start_s, end_s = end_s, end_s + blocks_s[number % len(blocks_s)]
        number += 1
        for readings in channels:
            changes += fed(in_turns, [r for r in readings if start_s <= r[1] < end_s])

    assert ordered.phase is Phase.CONFIRMED
    assert changes == expected
    assert in_turns.window == ordered.window
    assert in_turns.levels() == ordered.levels()


# ---- late readings


def _with_late(readings: Readings) -> Readings:
    """One in twenty of the velocity's readings is nonsense that was true ten seconds before it arrived."""
    out: list[tuple[str, float, float]] = []
    for number, (name, at_s, value) in enumerate(readings):
        out.append((name, at_s, value))
        if number % 20 == 19:
            out.append((name, at_s - 10.0, 7.0 * value))
    return out


def test_a_reading_that_comes_after_its_bin_was_closed_changes_nothing() -> None:
    plain, late = _trial(), _trial()
    expected = fed(plain, _readings())
    assert fed(late, _with_late(_readings())) == expected
    assert _told(late) == _told(plain)


def _late_velocity(by_s: float) -> Readings:
    """Velocity arrives so much later than it was true, in order of arrival."""
    power = steady("power", 200.0)
    velocity = steady("velocity", 200.0, seed=2, from_s=0.4)
    arrivals = [(t, ("power", t, v)) for _, t, v in power]
    arrivals += [(t + by_s, ("velocity", t, v)) for _, t, v in velocity]
    return [reading for _, reading in sorted(arrivals)]


@pytest.mark.parametrize("by_s", [1.5, 3.0, 4.5, 9.0])
def test_late_readings_are_taken_or_dropped_by_blocks_as_by_single_readings(
    by_s: float,
) -> None:
    # Up to a bin late it is waited for; later than that its bins are closed without it, all or in part.
    readings = _late_velocity(by_s)
    single, blocks = group_of(*BOTH), group_of(*BOTH)
    expected = fed(single, readings)
    cuts = [11, 50, 51, 200]
    assert _fed_in_blocks(blocks, readings, cuts, names=NAMES[:2]) == expected
    assert _told(blocks) == _told(single)


def test_a_channel_that_comes_a_little_late_loses_nothing() -> None:
    on_time, late = group_of(*BOTH), group_of(*BOTH)
    expected = fed(on_time, _late_velocity(0.0))
    assert fed(late, _late_velocity(1.5)) == expected
    assert late.levels() == on_time.levels()


# ---- no look-ahead


NONSENSE: dict[str, Callable[[float, float], float]] = {
    "nothing": lambda _t, _value: 0.0,
    "twice": lambda _t, value: 2.0 * value,
    "a small step": lambda _t, value: 1.004 * value,
    "a ramp": lambda t, value: value * (1.0 + 1e-3 * t),
    "spikes": lambda t, value: value * (50.0 if int(t) % 5 == 0 else 1.0),
}


@pytest.mark.slow
@pytest.mark.parametrize("nonsense", NONSENSE.values(), ids=NONSENSE.keys())
def test_what_comes_later_does_not_change_what_was_said_before(
    nonsense: Callable[[float, float], float],
) -> None:
    readings = _readings()
    expected = fed(_trial(), readings)
    for cut_s in range(30, 280, 50):
        spoiled = [(n, t, nonsense(t, v) if t > cut_s else v) for n, t, v in readings]
        changes = fed(_trial(), spoiled)
        # A bin is judged when the next one begins, so all that was said up to the cut must agree.
        before = [c for c in expected if c.at_s <= cut_s]
        assert [c for c in changes if c.at_s <= cut_s] == before


@pytest.mark.parametrize("nonsense", NONSENSE.values(), ids=NONSENSE.keys())
def test_nothing_after_the_result_changes_it(
    nonsense: Callable[[float, float], float],
) -> None:
    readings = _readings(400.0)
    whole = _trial()
    confirmed_s = fed(whole, readings)[-1].at_s
    assert whole.phase is Phase.CONFIRMED
    spoiled = [
        (n, t, nonsense(t, v) if t >= confirmed_s else v) for n, t, v in readings
    ]
    single, blocks = _trial(), _trial()
    fed(single, spoiled)
    _fed_in_blocks(blocks, spoiled, [])
    assert _told(single) == _told(blocks) == _told(whole)
    # Nor does it matter whether anything comes at all, once every channel has shown that its bin is over.
    enough = [r for r in readings if r[1] < confirmed_s + 6.0]
    cut = _trial()
    fed(cut, enough)
    assert _told(cut) == _told(whole)


def test_the_time_of_the_declaration_stands_whatever_comes_after_it() -> None:
    readings = steady("power", 400.0)
    whole = group_of()
    declared_s = next(
        c.at_s for c in fed(whole, readings) if c.phase is Phase.AVERAGING
    )
    for spoil in NONSENSE.values():
        group = group_of()
        spoiled = [
            (n, t, spoil(t, v) if t >= declared_s else v) for n, t, v in readings
        ]
        changes = fed(group, spoiled)
        first = next(c for c in changes if c.phase is Phase.AVERAGING)
        assert first.at_s == declared_s


def test_readings_after_confirmation_change_nothing() -> None:
    group = group_of()
    fed(group, steady("power", 300.0))
    window, levels = group.window, group.levels()
    assert levels
    nonsense = [("power", 300.0 + i, 7.0 * i) for i in range(500)]
    assert fed(group, nonsense) == []
    assert (group.window, group.levels()) == (window, levels)


# ---- who asks meanwhile


@pytest.mark.slow
def test_asking_again_and_again_changes_nothing() -> None:
    asked, unasked = _trial(), _trial()
    expected = fed(unasked, _readings())
    changes: list[PhaseChange] = []
    for number, reading in enumerate(_readings()):
        changes += asked.feed(*reading)
        if number % 4 == 0:
            _told(asked)
    assert changes == expected
    assert _told(asked) == _told(unasked)


def test_a_trial_that_was_stored_in_the_middle_goes_on_the_same() -> None:
    readings = _readings()
    whole = _trial()
    fed(whole, readings)
    for cut in (100, 250, 400, 600):
        begun = _trial()
        fed(begun, readings[:cut])
        restored = pickle.loads(pickle.dumps(begun))  # noqa: S301 - our own bytes
        fed(restored, readings[cut:])
        assert _told(restored) == _told(whole)


def test_the_clock_may_begin_anywhere() -> None:
    # 2^20 s: times of the readings keep all the digits that the bins depend on.
    offset_s = 2.0**20
    here, there = (
        group_of(),
        SettlingGroup([channel()], start_s=offset_s, parameters=STANDARD),
    )
    readings = [
        (n, math.floor(t * 64.0) / 64.0, v) for n, t, v in steady("power", 300.0)
    ]
    expected = fed(here, readings)
    changes = fed(there, [(n, t + offset_s, v) for n, t, v in readings])
    assert [c.at_s - offset_s for c in changes] == [c.at_s for c in expected]
    assert here.levels() == there.levels()


# ---- for ever


def _wandering_for(hours: float) -> SettlingGroup:
    """A level that rises by 72 % in an hour and falls as fast in the next; read every five seconds."""
    group = group_of(channel("power", interval_s=5.0))
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
        group = group_of(*BOTH)
        few = steady("velocity", 80.0, seed=2)
        fed(group, in_time(steady("power", until_s), few))
        sizes.append(len(pickle.dumps(group)))
    assert sizes[1] < 1.05 * sizes[0]


def _after_bins(count: int) -> int:
    """Size of a rule's state after so many bins, few of them there, none settled."""
    rule = GroupRule([channel()], start_s=0.0, bin_s=2.0, parameters=STANDARD)
    there = [bin_of([1000.0 + 40.0 * k]) for k in range(2)]
    missing = Bin(None)
    for number in range(count):
        item = there[number % 2] if number % 25 < 3 else missing
        rule.take({"power": item})
    assert rule.phase is Phase.SETTLING
    return len(pickle.dumps(rule))


@pytest.mark.slow
def test_a_hundred_thousand_bins_take_no_more_memory_than_a_thousand() -> None:
    assert _after_bins(100_000) < 1.05 * _after_bins(1000)
