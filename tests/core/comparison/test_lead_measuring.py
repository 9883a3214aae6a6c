"""A trial's loop resistance from the readings about its switching."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.comparison.lead_measuring import Method, measure_loop
from daq.comparison.lead_readings import Stretch, TrialEdges
from daq.comparison.rules import LeadFacts
from daq.records import Accuracy, Channel
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


def test_the_loop_is_drop_over_current_with_the_idle_difference_taken_off() -> None:
    # 6.65 V over 10 A at a power factor of 1: 0.665 ohm, whatever the two voltmeters differ by.
    for offset_v in (0.0, 0.8, -1.2):
        loop = measure_loop(edges_of(levels_of(6.65, offset_v=offset_v)), LEAD)
        assert loop.measurement is not None
        assert loop.measurement.method is Method.TWO_VOLTMETERS
        # The reactance of 25 m adds 4 milliohms across, nothing along.
        assert loop.measurement.resistance_ohm == pytest.approx(0.665, abs=2e-4)


def test_a_power_factor_below_one_makes_more_ohms_of_the_same_drop() -> None:
    # reference: 3.667 V at 12 A, power factor 0.95, come from 0.3177 ohm (0.0108 of reactance), not from 0.3056.
    levels = {
        SUPPLY: (120.0, 120.0),
        MACHINE: (120.0, 120.0 - 3.667),
        CURRENT: (0.0, 12.0),
        POWER_FACTOR: (0.0, 0.95),
    }
    # 0.0108 ohm are both cores of 67.5 m at 0.08 milliohm a metre.
    loop = measure_loop(edges_of(levels), LeadFacts(area_mm2=4.0, length_m=67.5))
    assert loop.measurement is not None
    assert loop.measurement.resistance_ohm == pytest.approx(0.3177, rel=5e-3)


def test_a_power_meter_at_the_machine_s_end_gives_the_power_factor() -> None:
    power = channel("power", "W")
    levels = {**levels_of(6.65), power: (0.0, 0.9 * 10.0 * (229.0 - 6.65))}
    del levels[POWER_FACTOR]
    loop = measure_loop(edges_of(levels), LEAD)
    assert loop.measurement is not None
    assert loop.measurement.power_factor == pytest.approx(0.9, rel=1e-3)
    assert not loop.measurement.power_factor_is_assumed


def test_a_power_meter_at_the_supply_s_end_has_the_lead_s_loss_taken_off() -> None:
    power = channel("power", "W", "supply end")
    # 0.9 at the machine, and 66.5 W lost in the lead.
    levels = {**levels_of(6.65), power: (0.0, 0.9 * 10.0 * (229.0 - 6.65) + 66.5)}
    del levels[POWER_FACTOR]
    loop = measure_loop(edges_of(levels), LEAD)
    assert loop.measurement is not None
    assert loop.measurement.power_factor == pytest.approx(0.9, rel=1e-3)


def test_without_idle_readings_the_whole_accuracy_counts_and_it_is_said() -> None:
    meter = Accuracy(percent_of_reading=0.5)
    levels: Levels = {
        replace(SUPPLY, accuracy=meter): (230.0, 229.0),
        replace(MACHINE, accuracy=meter): (230.0, 222.35),
        CURRENT: (0.0, 10.0),
        POWER_FACTOR: (0.0, 1.0),
    }
    known = measure_loop(edges_of(levels), LEAD).measurement
    unknown = measure_loop(edges_of(levels, idle_s=3.0, after_s=3.0), LEAD)
    assert known is not None
    assert unknown.measurement is not None
    # 0.5 % of 229 V and of 222.35 V over sqrt(3), in squares: 0.921 V, over 10 A.
    limits = {c.name: c.std_uncertainty for c in unknown.measurement.contributions}
    assert limits["accuracy of the voltmeters"] == pytest.approx(0.0921, rel=2e-3)
    assert "before switching on" in unknown.remarks[0]
    # With it, gains act on the changes alone, 1 V and 7.65 V: 0.0223 V.
    gains = {c.name: c.std_uncertainty for c in known.contributions}
    assert gains["gain of the voltmeters"] == pytest.approx(0.00223, rel=2e-2)


def test_an_idle_difference_that_moved_is_said_and_carried() -> None:
    moved = measure_loop(edges_of(levels_of(6.65), after={MACHINE: 230.2}), LEAD)
    assert moved.measurement is not None
    # It is taken half-way: 0.1 V less idle difference, 10 milliohms more.
    assert moved.measurement.resistance_ohm == pytest.approx(0.675, abs=3e-4)
    assert "moved from" in moved.remarks[0]
    # 0.2 V apart: 0.1/sqrt(3) V, over 10 A.
    parts = [c for c in moved.measurement.contributions if c.detail]
    assert parts[0].std_uncertainty == pytest.approx(0.00577, rel=2e-2)


def test_a_voltmeter_that_was_unplugged_before_the_run_tells_nothing_of_its_zero() -> (
    None
):
    edges = reread(
        edges_of(levels_of(6.65)), {MACHINE: lambda t, v: 0.0 if t < ON_S - 15.0 else v}
    )
    loop = measure_loop(edges, LEAD)
    assert loop.measurement is not None
    assert loop.measurement.resistance_ohm == pytest.approx(0.665, abs=2e-4)
    assert loop.remarks == ()


def test_a_standby_current_belongs_to_the_idle_reading() -> None:
    # 0.5 A flow with the machine off: of 0.665 ohm 0.3325 V are in the idle difference already.
    levels: Levels = {
        SUPPLY: (230.0, 229.0),
        MACHINE: (230.0 - 0.3325, 229.0 - 6.65),
        CURRENT: (0.5, 10.0),
        POWER_FACTOR: (1.0, 1.0),
    }
    loop = measure_loop(edges_of(levels), LEAD).measurement
    assert loop is not None
    assert loop.resistance_ohm == pytest.approx(0.665, abs=3e-4)


def test_the_inrush_is_in_no_step() -> None:
    def is_inrush(at_s: float) -> bool:
        return ON_S <= at_s < ON_S + 3.0

    edges = reread(
        edges_of(
            {MACHINE: (230.0, 219.15), CURRENT: (0.0, 10.0), POWER_FACTOR: (0.0, 1.0)}
        ),
        {
            MACHINE: lambda t, v: 190.0 if is_inrush(t) else v,
            CURRENT: lambda t, v: 45.0 if is_inrush(t) else v,
        },
    )
    loop = measure_loop(edges, LEAD).measurement
    assert loop is not None
    assert loop.drop_v == pytest.approx(10.85, abs=0.01)


def test_a_power_factor_meter_at_the_supply_s_end_does_with_a_doubt() -> None:
    # 0.01 for the place, nothing for the meter, whose maker states nothing here.
    levels = {
        **levels_of(6.65),
        channel("supply_factor", "1", "supply end"): (0.0, 0.9),
    }
    del levels[POWER_FACTOR]
    loop = measure_loop(edges_of(levels), LEAD).measurement
    assert loop is not None
    assert loop.power_factor == 0.9
    (doubt,) = [c for c in loop.contributions if c.name == "power factor"]
    # R is nearly drop over current and power factor: 0.01 of 0.9 are 1.1 %.
    assert doubt.std_uncertainty == pytest.approx(
        loop.resistance_ohm * 0.01 / 0.9, rel=0.1
    )


def test_a_power_factor_that_cannot_be_is_not_believed() -> None:
    levels = {**levels_of(6.65), POWER_FACTOR: (0.0, 1.2)}
    loop = measure_loop(edges_of(levels), LEAD).measurement
    assert loop is not None
    assert loop.power_factor_is_assumed


def test_without_a_current_before_switch_off_nothing_can_be_told() -> None:
    loop = measure_loop(edges_of({**levels_of(6.65), CURRENT: (0.0, 0.0)}), LEAD)
    assert loop.measurement is None
    assert "no current before switch-off" in loop.remarks[0]


def test_one_voltmeter_without_a_moment_of_rest_tells_nothing() -> None:
    levels = dict(levels_of(6.65))
    del levels[SUPPLY]
    loop = measure_loop(edges_of(levels, idle_s=2.0, after_s=2.0), LEAD)
    assert loop.measurement is None
    assert "too few readings" in loop.remarks[0]


def test_a_second_voltmeter_with_few_readings_leaves_the_step_of_the_first() -> None:
    edges = reread(
        edges_of(levels_of(6.65)),
        {SUPPLY: lambda t, v: v if 0.0 < OFF_S - t < 5.0 else None},
    )
    loop = measure_loop(edges, LEAD).measurement
    assert loop is not None
    assert loop.method is Method.STEP
    # From 230 V to 222.35 V: the volt that wiring costs is in it.
    assert loop.drop_v == pytest.approx(7.65, abs=0.01)


@pytest.mark.parametrize("seconds", [1.0, 4.0, 7.0])
def test_a_run_of_seconds_has_nothing_but_its_run_up(seconds: float) -> None:
    levels = dict(levels_of(6.65))
    del levels[SUPPLY]
    edges = replace(edges_of(levels), on_s=OFF_S - seconds)
    assert measure_loop(edges, LEAD).measurement is None


@given(
    spans_s=st.tuples(
        st.floats(0.0, 70.0), st.floats(0.0, 200.0), st.floats(0.0, 32.0)
    ),
    interval_s=st.floats(0.4, 15.0),
    load=st.sampled_from([(230.0, 10.0), (0.0, 0.0), (230.0, 0.0), (0.0, 10.0)]),
    meters=st.sampled_from([(SUPPLY, MACHINE, CURRENT), (MACHINE, CURRENT)]),
)
def test_whatever_was_read_there_is_a_loop_or_a_reason(
    spans_s: tuple[float, float, float],
    interval_s: float,
    load: tuple[float, float],
    meters: tuple[Channel, ...],
) -> None:
    rest_s, run_s, after_s = spans_s
    volts, amperes = load
    end_s = ON_S + run_s
    count = int((rest_s + run_s + after_s) / interval_s)
    times = tuple(ON_S - rest_s + interval_s * i for i in range(count))
    is_on = [ON_S <= t < end_s for t in times]
    # No two readings alike, as of meters with many digits.
    noise = [0.01 * math.sin(7.0 * t) for t in times]
    values = {
        SUPPLY: [volts + 0.5 * n for n in noise],
        MACHINE: [
            volts * (0.97 if on else 1.0) + n
            for on, n in zip(is_on, noise, strict=True)
        ],
        CURRENT: [amperes * on for on in is_on],
    }
    readings = {c.name: Stretch(times, tuple(values[c])) for c in meters}
    edges = TrialEdges(1, "long lead", ON_S, end_s, meters, readings)
    loop = measure_loop(edges, LEAD)
    assert loop.measurement or loop.remarks
    if loop.measurement:
        assert math.isfinite(loop.measurement.resistance_ohm)


def test_voltmeters_read_at_different_moments_are_paired_between_their_readings() -> (
    None
):
    # A supply that falls by 50 mV a second; the machine's voltmeter is read half a second after the supply's.
    def drifting(volts: Stretch, later_s: float) -> Stretch:
        return Stretch(
            tuple(t + later_s for t in volts.times_s),
            tuple(
                v - 0.05 * (t + later_s - ON_S)
                for t, v in zip(volts.times_s, volts.values, strict=True)
            ),
        )

    edges = edges_of(levels_of(6.65))
    readings = {
        **edges.readings,
        SUPPLY.name: drifting(edges.readings[SUPPLY.name], 0.0),
        MACHINE.name: drifting(edges.readings[MACHINE.name], 0.5),
    }
    loop = measure_loop(replace(edges, readings=readings), LEAD).measurement
    assert loop is not None
    # Taken as simultaneous, 25 mV would be missing on and off alike; the flicker of 10 mV averages out.
    assert loop.drop_v == pytest.approx(6.65, abs=0.005)


def test_a_pause_of_the_supply_s_voltmeter_is_not_bridged() -> None:
    def is_paused(at_s: float) -> bool:
        return OFF_S - 40.0 < at_s < OFF_S - 20.0

    # Silent for 20 s under load, while the supply sagged by 29 V.
    edges = reread(
        edges_of(levels_of(6.65)),
        {
            SUPPLY: lambda t, v: None if is_paused(t) else v + 0.005 * math.sin(t),
            MACHINE: lambda t, v: v - 29.0 if is_paused(t) else v,
        },
    )
    loop = measure_loop(edges, LEAD).measurement
    assert loop is not None
    assert loop.drop_v == pytest.approx(6.65, abs=0.01)
