"""The physics against closed forms, and against its own balances."""

import math
from dataclasses import replace
from itertools import pairwise
from statistics import fmean, stdev

import pytest

from simulators.config import Simulation
from simulators.models.air import Flutter
from simulators.models.bench import Bench
from simulators.models.lead import Lead
from simulators.models.operating import OperatingPoint, Parts, settled_state
from simulators.models.supply import Supply, WanderingVoltage
from simulators.rig import seeded

LEAD = Lead(
    length_m=25,
    area_mm2=2.5,
    contact_ohm=0.02,
    reactance_ohm_per_m=0.00008,
    heating_k_m_per_w=4,
    time_constant_s=75,
)


def steady(parts: Parts) -> Parts:
    return replace(parts, supply=replace(parts.supply, wander_percent=0.0))


def bench_of(simulation: Simulation, *, seed: int = 1) -> Bench:
    return Bench(steady(simulation.parts), simulation.conditions[0], seeded(seed, "x"))


def values(point: OperatingPoint) -> list[float]:
    temperatures = point.temperatures
    return [
        point.current_a,
        point.supply_end_v,
        point.machine_end_v,
        point.supply_end_w,
        point.machine_end_w,
        point.velocity_m_per_s,
        temperatures.winding_c,
        temperatures.lead_c,
        temperatures.air_c,
    ]


def test_a_lead_has_the_resistance_of_its_copper() -> None:
    # IEC 60028: 1/58 ohm mm2/m at 20 C; two cores of 25 m and 2.5 mm2: 20/58 ohm.
    assert LEAD.core_ohm(20) == pytest.approx(20 / 58, rel=1e-12)
    # IEC 60028: 0.00393 per kelvin, so 1.1965 times as much at 70 C.
    assert LEAD.core_ohm(70) == pytest.approx(1.1965 * 20 / 58, rel=1e-12)
    assert LEAD.resistance_ohm(20) == pytest.approx(20 / 58 + 0.02, rel=1e-12)


def test_the_supply_wanders_around_its_nominal_voltage_with_the_stated_spread() -> None:
    supply = Supply(230, 0.25, 0.1, wander_percent=0.04, wander_time_s=15)
    voltage = WanderingVoltage(supply, seeded(3, "supply"))
    seen = []
    for _ in range(4000):
        voltage.step(150)  # ten correlation times: as good as independent
        seen.append(voltage.voltage_v)
    # 0.04 % of 230 V = 0.092 V. Four standard errors of the mean, and of the spread.
    assert fmean(seen) == pytest.approx(230, abs=4 * 0.092 / math.sqrt(4000))
    assert stdev(seen) == pytest.approx(0.092, rel=4 / math.sqrt(2 * 4000))


def test_the_supply_forgets_with_its_correlation_time() -> None:
    supply = Supply(230, 0.25, 0.1, wander_percent=0.04, wander_time_s=15)
    voltage = WanderingVoltage(supply, seeded(5, "supply"))
    away = []
    for _ in range(20000):
        voltage.step(15)
        away.append(voltage.voltage_v - 230)
    lag_one = fmean(a * b for a, b in pairwise(away)) / fmean(a * a for a in away)
    # One correlation time apart: exp(-1), with four standard errors of a correlation.
    assert lag_one == pytest.approx(math.exp(-1), abs=4 / math.sqrt(20000))
    # The spread does not depend on the step. Correlation makes its standard error
    # sqrt((1 + r^2) / (1 - r^2) / 2n) = 0.6 %; four of them.
    assert stdev(away) == pytest.approx(0.092, rel=0.023)


def test_the_settled_state_satisfies_the_circuit_and_every_balance(
    simulation: Simulation,
) -> None:
    parts = simulation.parts
    motor, supply, fan, duct = parts.motor, parts.supply, parts.fan, parts.duct
    for condition in simulation.conditions:
        point = settled_state(parts, condition)
        current, speed = point.current_a, point.speed_rad_per_s
        air = point.velocity_m_per_s
        warm = point.temperatures
        winding_ohm = motor.winding_ohm * (1 + 0.00393 * (warm.winding_c - 20))
        lead_ohm = condition.lead.resistance_ohm(warm.lead_c)
        in_phase = winding_ohm + motor.torque_constant_nm_per_a2 * speed + lead_ohm
        across = motor.reactance_ohm + condition.lead.reactance_ohm
        whole = complex(in_phase + supply.resistance_ohm, across + supply.reactance_ohm)
        # Ohm's law around the loop, torque, pressure and heat in balance.
        assert current * abs(whole) == pytest.approx(230, rel=1e-9)
        asked = motor.friction_nm + fan.churning_nm_s2 * speed**2
        asked += fan.turning_nm_s2_per_m * speed * air
        made = motor.torque_constant_nm_per_a2 * current**2
        assert made == pytest.approx(asked, rel=1e-9)
        system = duct.resistance.plus(condition.filter)
        fan_pa = fan.pressure_pa(speed_rad_per_s=speed, velocity_m_per_s=air)
        assert fan_pa == pytest.approx(system.pressure_pa(air), rel=1e-9)
        heat_w = current**2 * winding_ohm
        assert warm.winding_c == pytest.approx(
            parts.room_c + motor.heating_k_per_w * heat_w, rel=1e-9
        )
        # Density 1.2 kg/m3 (ISO 5801), specific heat 1005 J/(kg K).
        carried = 1.2 * 1005 * duct.area_m2 * air + duct.wall_loss_w_per_k
        rise = point.machine_end_w / carried
        assert warm.air_c == pytest.approx(parts.room_c + rise, rel=1e-9)


def test_the_loss_in_the_lead_is_what_lies_between_both_ends(leads: Simulation) -> None:
    for condition in leads.conditions:
        point = settled_state(leads.parts, condition)
        lead_ohm = condition.lead.resistance_ohm(point.temperatures.lead_c)
        loss_w = point.supply_end_w - point.machine_end_w
        assert loss_w == pytest.approx(point.current_a**2 * lead_ohm, rel=1e-9)


@pytest.mark.slow
def test_a_machine_that_runs_long_enough_arrives_at_its_settled_state(
    simulation: Simulation,
) -> None:
    for condition in (simulation.conditions[0], simulation.conditions[-1]):
        bench = bench_of(simulation)
        bench.fit(condition)
        bench.switch(on=True)
        bench.advance(800)
        truth = settled_state(simulation.parts, condition)
        assert values(bench.point) == pytest.approx(values(truth), rel=1e-3)


def test_once_the_machine_has_spun_up_it_has_less_than_three_percent_left_to_warm_up(
    simulation: Simulation,
) -> None:
    bench = bench_of(simulation)
    bench.switch(on=True)
    bench.advance(5)
    truth = settled_state(simulation.parts, simulation.conditions[0])
    assert bench.point.machine_end_w == pytest.approx(truth.machine_end_w, rel=0.03)
    assert bench.point.machine_end_w > truth.machine_end_w


def test_the_inrush_is_what_the_impedance_at_standstill_lets_through(
    leads: Simulation,
) -> None:
    bench = bench_of(leads)
    bench.switch(on=True)
    motor, supply = leads.parts.motor, leads.parts.supply
    lead = leads.conditions[0].lead
    copper_ohm = motor.copper_ohm(leads.parts.room_c)
    in_phase = copper_ohm + supply.resistance_ohm
    in_phase += lead.resistance_ohm(leads.parts.room_c)
    across = motor.reactance_ohm + supply.reactance_ohm + lead.reactance_ohm
    expected_a = 230 / math.hypot(in_phase, across)
    assert bench.point.current_a == pytest.approx(expected_a, rel=1e-12)
    truth = settled_state(leads.parts, leads.conditions[0])
    assert expected_a > 3 * truth.current_a
    bench.advance(3)
    assert bench.point.current_a == pytest.approx(truth.current_a, rel=0.03)


def test_on_a_lower_voltage_the_machine_moves_less_air(leads: Simulation) -> None:
    points = []
    for volts in (230, 220, 207):
        supply = replace(leads.parts.supply, nominal_v=volts)
        parts = replace(leads.parts, supply=supply)
        points.append(settled_state(parts, leads.conditions[0]))
    for higher, lower in pairwise(points):
        assert lower.velocity_m_per_s < higher.velocity_m_per_s
        assert lower.speed_rad_per_s < higher.speed_rad_per_s
        assert lower.machine_end_w < higher.machine_end_w


def test_each_thinner_or_longer_lead_costs_air(leads: Simulation) -> None:
    points = [settled_state(leads.parts, each) for each in leads.conditions]
    for better, worse in pairwise(points):
        assert worse.machine_end_v < better.machine_end_v
        assert worse.velocity_m_per_s < better.velocity_m_per_s
        assert worse.machine_end_w < better.machine_end_w


def test_each_denser_filter_costs_air_and_lets_the_machine_run_faster(
    filters: Simulation,
) -> None:
    points = [settled_state(filters.parts, each) for each in filters.conditions]
    for lighter, denser in pairwise(points):
        assert denser.velocity_m_per_s < lighter.velocity_m_per_s
        assert denser.speed_rad_per_s > lighter.speed_rad_per_s


def test_a_machine_that_is_off_draws_nothing_and_leaves_the_supply_alone(
    simulation: Simulation,
) -> None:
    bench = bench_of(simulation)
    bench.advance(3)
    point = bench.point
    assert point.current_a == 0
    assert point.machine_end_w == 0
    assert point.velocity_m_per_s == 0
    assert point.supply_end_v == point.machine_end_v == 230
    assert math.isnan(point.value("machine end", "power factor"))


def test_after_switching_off_the_air_stops_and_the_winding_cools(
    leads: Simulation,
) -> None:
    bench = bench_of(leads)
    bench.switch(on=True)
    bench.advance(60)
    winding_c = bench.point.temperatures.winding_c
    bench.switch(on=False)
    bench.advance(60 + leads.parts.motor.cooling_s)
    assert bench.point.velocity_m_per_s == 0
    # After one time constant exp(-1) of the rise is left.
    rise_k = winding_c - leads.parts.room_c
    expected_c = leads.parts.room_c + rise_k * math.exp(-1)
    assert bench.point.temperatures.winding_c == pytest.approx(expected_c, rel=1e-9)


def test_a_lead_that_was_put_away_has_cooled_when_it_comes_back(
    leads: Simulation,
) -> None:
    bench = bench_of(leads)
    thin, other = leads.conditions[3], leads.conditions[1]
    bench.fit(thin)
    bench.switch(on=True)
    bench.advance(60)
    bench.switch(on=False)
    warm_c = bench.point.temperatures.lead_c
    bench.fit(other)
    assert bench.point.temperatures.lead_c == leads.parts.room_c
    bench.advance(60 + thin.lead.time_constant_s)
    bench.fit(thin)
    rise_k = warm_c - leads.parts.room_c
    expected_c = leads.parts.room_c + rise_k * math.exp(-1)
    assert bench.point.temperatures.lead_c == pytest.approx(expected_c, rel=1e-9)


def test_nobody_exchanges_a_lead_under_load(leads: Simulation) -> None:
    bench = bench_of(leads)
    bench.switch(on=True)
    with pytest.raises(ValueError, match="expected it to be switched off first"):
        bench.fit(leads.conditions[1])


def test_a_run_does_not_depend_on_how_often_somebody_looks(leads: Simulation) -> None:
    often, once = (
        Bench(leads.parts, leads.conditions[0], seeded(4, "supply")) for _ in range(2)
    )
    for bench in (often, once):
        bench.switch(on=True)
    for look in range(1, 200):
        often.advance(look * 0.1037)
    once.advance(199 * 0.1037)
    assert often.point == once.point


def test_a_clogged_filter_is_as_one_of_that_resistance_until_the_next_is_fitted(
    filters: Simulation,
) -> None:
    fine = filters.conditions[3]
    parts = steady(filters.parts)
    denser = replace(fine, filter=fine.filter.times(2.0))
    clogged = Bench(parts, fine, seeded(1, "x"))
    clogged.clog(2.0)
    as_one = Bench(parts, denser, seeded(1, "x"))
    for bench in (clogged, as_one):
        bench.switch(on=True)
        bench.advance(20)
    assert values(clogged.point) == values(as_one.point)
    clogged.switch(on=False)
    clogged.fit(fine)
    clean = Bench(parts, fine, seeded(1, "x"))
    for bench in (clogged, clean):
        bench.switch(on=True)
        bench.advance(40)
    assert clogged.point.velocity_m_per_s == pytest.approx(
        clean.point.velocity_m_per_s, rel=1e-3
    )


def test_a_flap_that_flutters_swings_around_what_is_stated(filters: Simulation) -> None:
    # A sine: nothing at 0 and half a period, all of it at a quarter, the opposite at three quarters.
    flutter = Flutter(share=0.5, period_s=8.0)
    factors = [flutter.factor(t) for t in (0.0, 2.0, 4.0, 6.0)]
    assert factors == pytest.approx([1.0, 1.5, 1.0, 0.5])
    fine = replace(filters.conditions[3], flutter=flutter)
    bench = Bench(steady(filters.parts), fine, seeded(1, "x"))
    bench.switch(on=True)
    seen = []
    for tick in range(160):
        bench.advance(20 + tick / 10)
        seen.append(bench.point.velocity_m_per_s)
    still = settled_state(filters.parts, fine).velocity_m_per_s
    assert min(seen) < 0.95 * still
    assert max(seen) > 1.05 * still
