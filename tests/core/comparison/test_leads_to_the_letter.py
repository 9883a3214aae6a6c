"""Single figures of a lead's resistance that nobody else looks at, each against its closed form."""

import math
from dataclasses import replace

import pytest

from daq.comparison.lead_drops import drop_at_switching, drop_between, loaded_since_s
from daq.comparison.lead_measuring import measure_loop
from daq.physics.lead_resistance import resistance_from_drop
from daq.records import Accuracy
from tests.core.comparison.lead_runs import (
    CURRENT,
    LEAD,
    MACHINE,
    OFF_S,
    ON_S,
    POWER_FACTOR,
    SUPPLY,
    Levels,
    edges_of,
    levels_of,
    reread,
)
from tests.core.comparison.observed import channel

SLOPE = 0.01  # of the supply [V/s]
LAG_OFF_S, LAG_ON_S = 8.0, 10.0
"""From block to block: 6 s before switch-off to 2 s after it; 7 s before switch-on to 3 s after it."""


def test_of_two_steps_the_one_with_less_wander_weighs_more() -> None:
    # The loop has 1 ohm; the motor draws 10 A at first and 9 A when it is warm.
    edges = reread(
        edges_of({MACHINE: (230.0, 220.0), CURRENT: (0.0, 10.0)}),
        {
            MACHINE: lambda t, v: (
                v + SLOPE * (t - ON_S) + (1.0 if OFF_S - 61.0 < t < OFF_S else 0.0)
            ),
            CURRENT: lambda t, v: 9.0 if OFF_S - 61.0 < t < OFF_S else v,
        },
    )
    machine = replace(MACHINE, accuracy=Accuracy(percent_of_reading=0.3))
    drop = drop_at_switching(edges, machine, CURRENT, OFF_S - 1.0)
    assert drop is not None
    # A supply that rises by itself makes one step too large and the other too small, each by what it does in its lag,
    # and its wander over a lag is just that. Weights are 1/wander²; the first step counts as if 9 A had flowed.
    off_v, on_v = 9.0 + SLOPE * LAG_OFF_S, 0.9 * (10.0 - SLOPE * LAG_ON_S)
    off_w, on_w = (1.0 / (SLOPE * lag_s) ** 2 for lag_s in (LAG_OFF_S, LAG_ON_S))
    expected_v = (off_w * off_v + on_w * on_v) / (off_w + on_w)
    assert drop.value_v == pytest.approx(expected_v, abs=1e-6)
    assert drop.current_a == pytest.approx(9.0)
    # Mean of the last block, whose middle is 3.5 s before switch-off.
    assert drop.machine_v == pytest.approx(221.0 + SLOPE * (OFF_S - ON_S - 3.5))
    wander, display, gain = drop.contributions
    both = math.hypot(off_w * SLOPE * LAG_OFF_S, on_w * SLOPE * LAG_ON_S)
    assert wander.std_uncertainty == pytest.approx(both / (off_w + on_w), rel=1e-6)
    # Blocks of five seconds, so far apart as fit into 38 s before, 59 s under load and 25 s after: of the longer lag fewer.
    assert wander.degrees_of_freedom == 5 + 9 + 3
    assert display.std_uncertainty == 0.0
    assert gain.std_uncertainty == pytest.approx(
        0.003 / math.sqrt(3.0) * expected_v, rel=1e-6
    )


@pytest.mark.parametrize(
    ("place", "lost_w", "of_the_place"),
    [("machine end", 0.0, 0.0), ("supply end", 66.5, 0.01)],
)
def test_a_power_factor_by_power_is_as_doubtful_as_power_current_and_place(
    place: str, lost_w: float, of_the_place: float
) -> None:
    # 0.9 at the machine; at the supply's end the 66.5 W that 10 A lose over 6.65 V are shown as well.
    machine_v, current_a, factor = 229.0 - 6.65, 10.0, 0.9
    power = replace(
        channel("power", "W", place), accuracy=Accuracy(percent_of_reading=2.0)
    )
    current = replace(CURRENT, accuracy=Accuracy(percent_of_reading=1.0))
    levels: Levels = {
        each: shown
        for each, shown in {
            **levels_of(6.65),
            current: (0.0, current_a),
            power: (0.0, factor * current_a * machine_v + lost_w),
        }.items()
        if each not in (CURRENT, POWER_FACTOR)
    }
    loop = measure_loop(edges_of(levels), LEAD).measurement
    assert loop is not None
    assert loop.power_factor == pytest.approx(factor, rel=1e-5)
    # 2 % and 1 % of the readings, rectangular, in squares; 0.01 for a meter that stands elsewhere.
    u = math.hypot(factor * math.hypot(0.02, 0.01) / math.sqrt(3.0), of_the_place)

    def loop_ohm(power_factor: float, *, reactance: float = 1.0) -> float:
        return resistance_from_drop(
            6.65,
            machine_v=machine_v,
            current_a=current_a,
            power_factor=power_factor,
            reactance_ohm=reactance * 2 * 25.0 * 0.08e-3,
        )

    assert loop.resistance_ohm == pytest.approx(loop_ohm(factor), rel=1e-4)
    (doubt,) = [c for c in loop.contributions if c.name == "power factor"]
    assert doubt.std_uncertainty == pytest.approx(
        abs(loop_ohm(factor + u) - loop_ohm(factor - u)) / 2.0, rel=1e-4
    )
    # The reactance of a cord is known to three tenths.
    (coil,) = [c for c in loop.contributions if c.name == "reactance"]
    assert coil.std_uncertainty == pytest.approx(
        abs(loop_ohm(factor, reactance=1.3) - loop_ohm(factor, reactance=0.7)) / 2.0,
        rel=1e-3,
    )


@pytest.mark.parametrize("kept", [(1, 3, 5), (1, 5)])
def test_a_block_under_load_needs_three_readings(kept: tuple[int, ...]) -> None:
    # Seconds before switch-off at which the voltmeter was read while the machine ran.
    edges = reread(
        edges_of({MACHINE: (230.0, 220.0), CURRENT: (0.0, 10.0)}),
        {
            MACHINE: lambda t, v: (
                v if not ON_S - 2.0 <= t < OFF_S or OFF_S - t in kept else None
            )
        },
    )
    drop = drop_at_switching(edges, MACHINE, CURRENT, OFF_S - 1.0)
    assert (drop is None) is (len(kept) < 3)
    # A flicker of a hundredth either way.
    assert drop is None or drop.value_v == pytest.approx(10.0, abs=0.021)


@pytest.mark.parametrize(
    ("run_s", "since_s"),
    [
        # The last minute; of less than 80 s all after the longest run-up; of less than 25 s all after the inrush.
        (240.0, 180.0),
        (70.0, 20.0),
        (25.0, 20.0),
        (24.0, 3.0),
        (5.0, 3.0),
    ],
)
def test_under_load_counts_the_last_minute_without_the_run_up(
    run_s: float, since_s: float
) -> None:
    edges = edges_of(levels_of(6.65))
    assert loaded_since_s(edges, ON_S + run_s) == ON_S + since_s


@pytest.mark.parametrize(
    ("of_supply", "of_machine", "with_idle", "without"),
    [
        # By 229 V and 222.35 V under load, 1 V and 7.65 V less than with the machine off; rectangular.
        (0.3, 0.0, 0.003 * 1.0, 0.003 * 229.0),
        (0.0, 0.3, 0.003 * 7.65, 0.003 * 222.35),
        (0.3, 0.3, 0.003 * math.hypot(1.0, 7.65), 0.003 * math.hypot(229.0, 222.35)),
    ],
)
def test_each_voltmeter_s_percent_acts_on_its_change_or_else_on_all_it_shows(
    of_supply: float, of_machine: float, with_idle: float, without: float
) -> None:
    supply = replace(SUPPLY, accuracy=Accuracy(percent_of_reading=of_supply))
    machine = replace(MACHINE, accuracy=Accuracy(percent_of_reading=of_machine))
    for idle_s, name, expected_v in (
        (40.0, "gain of the voltmeters", with_idle),
        (3.0, "accuracy of the voltmeters", without),
    ):
        edges = edges_of(levels_of(6.65), idle_s=idle_s, after_s=min(idle_s, 28.0))
        drop = drop_between(edges, supply, machine, CURRENT, OFF_S - 1.0)
        assert drop is not None
        (part,) = [c for c in drop.contributions if c.name == name]
        assert part.std_uncertainty == pytest.approx(
            expected_v / math.sqrt(3.0), rel=1e-3
        )


def test_of_two_idle_stretches_the_display_counts_once_with_the_larger_steps() -> None:
    # Next to no flicker: half a step each, rectangular; four of six, the coarser ones first.
    supply = replace(SUPPLY, accuracy=Accuracy(resolution=0.5))
    machine = replace(MACHINE, accuracy=Accuracy(resolution=1.0))
    edges = edges_of(levels_of(6.65))
    drop = drop_between(edges, supply, machine, CURRENT, OFF_S - 1.0)
    assert drop is not None
    (part,) = [c for c in drop.contributions if c.name == "display of the voltmeters"]
    assert part.std_uncertainty == pytest.approx(
        math.hypot(0.5, 0.5, 0.5, 0.25) / math.sqrt(3.0), rel=1e-3
    )
