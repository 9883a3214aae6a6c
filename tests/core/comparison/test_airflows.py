"""Actual and standard airflow by kind of meter, their errors, and the power in them."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.comparison.airflows import airflow_derivations
from daq.comparison.observations import Observation
from daq.comparison.rules import (
    Air,
    Airflow,
    Orifice,
    Pitot,
    Surroundings,
)
from daq.comparison.trial_inputs import Derivation, TrialInputs
from daq.physics.airflow import AirMeterKind
from daq.physics.atmosphere import PressureKind
from daq.records import Channel
from tests.core.comparison.observed import channel, error_of, observation

# Density of this air by CIPM-2007 and, independently, CoolProp 8.0.0: 1.1993 kg/m³.
ROOM = Air(
    temperature_c=20.0,
    temperature_u_k=1.0,
    humidity_percent=50.0,
    humidity_u_percent=15.0,
    pressure_hpa=1013.25,
    pressure_u_hpa=1.0,
    pressure_kind=PressureKind.STATION,
)
DENSITY = 1.1993
VELOCITY = channel("velocity", "m/s", "duct")
FLOW = channel("flow", "m3/h", "duct")
PRESSURE = channel("pressure", "Pa", "duct")
VANE = Airflow("airflow", "Airflow", "velocity", AirMeterKind.VANE, area_m2=0.01)
PLATE = Airflow(
    "airflow",
    "Airflow",
    "pressure",
    AirMeterKind.FIXED_DENSITY,
    orifice=Orifice(bore_mm=60.0, pipe_mm=100.0),
)


def _derived(
    airflow: Airflow,
    *measured: tuple[Channel, Observation],
    air: Air | None = ROOM,
) -> dict[str, Derivation]:
    observations: dict[str, tuple[Observation, ...]] = {}
    for each, seen in measured:
        observations[each.name] = (*observations.get(each.name, ()), seen)
    channels = tuple(dict.fromkeys(each for each, _ in measured))
    surroundings = Surroundings(air, (airflow,))
    derivations = airflow_derivations(TrialInputs(channels, observations), surroundings)
    return {d.quantity.name: d for d in derivations}


def _of_flow_meter(kind: AirMeterKind) -> dict[str, float]:
    airflow = Airflow("airflow", "Airflow", "flow", kind, calibrated_at_kg_per_m3=1.25)
    found = _derived(airflow, (FLOW, observation(100.0)))
    return {name: d.observations[0].mean for name, d in found.items()}


def test_a_vane_shows_the_actual_volume() -> None:
    found = _of_flow_meter(AirMeterKind.VANE)
    assert found["airflow"] == 100.0
    assert found["airflow_standard"] == pytest.approx(100.0 * DENSITY / 1.2, rel=1e-4)


def test_a_thermal_meter_s_standard_flow_takes_no_density_of_the_room() -> None:
    found = _of_flow_meter(AirMeterKind.THERMAL)
    assert found["airflow"] == pytest.approx(100.0 * 1.25 / DENSITY, rel=1e-4)
    assert found["airflow_standard"] == pytest.approx(100.0 * 1.25 / 1.2)


def test_a_display_of_fixed_density_is_corrected_by_roots() -> None:
    found = _of_flow_meter(AirMeterKind.FIXED_DENSITY)
    actual = 100.0 * math.sqrt(1.25 / DENSITY)
    assert found["airflow"] == pytest.approx(actual, rel=1e-4)
    assert found["airflow_standard"] == pytest.approx(actual * DENSITY / 1.2, rel=1e-4)


def test_a_velocity_becomes_a_flow_by_area_and_profile() -> None:
    # 10 m/s times 0.01 m² times 0.8 is 0.08 m³/s, 288 m³/h.
    airflow = replace(VANE, profile_factor=0.8, profile_factor_u=0.016)
    found = _derived(airflow, (VELOCITY, observation(10.0)))["airflow"]
    seen = found.observations[0]
    assert seen.mean == pytest.approx(288.0)
    # 0.016 of 0.8 is 2 %.
    assert error_of(seen, "airflow: profile factor") == pytest.approx(0.02 * 288.0)
    assert "0.8" in found.quantity.formula


def test_other_units_of_meter_and_flow_make_the_same_flow() -> None:
    # 10 m/s are 10/0.00508 ft/min; 360 m³/h are 100 L/s.
    slow = channel("velocity", "ft/min", "duct")
    found = _derived(replace(VANE, unit="L/s"), (slow, observation(10.0 / 0.00508)))
    assert found["airflow"].observations[0].mean == pytest.approx(100.0)


def test_the_reference_density_stands_in_the_formula_with_its_source() -> None:
    formula = _derived(VANE, (VELOCITY, observation(10.0)))[
        "airflow_standard"
    ].quantity.formula
    assert "1.2 kg/m³ (ISO 5801)" in formula
    other = replace(ROOM, reference_density_kg_per_m3=1.18)
    formula = _derived(VANE, (VELOCITY, observation(10.0)), air=other)[
        "airflow_standard"
    ].quantity.formula
    assert "1.18 kg/m³;" in formula


def test_stated_air_is_off_by_the_same_in_every_trial() -> None:
    # Near 20 °C density falls by 0.37 % per kelvin and rises by 0.099 % per hPa (CIPM-2007, CoolProp).
    found = _derived(
        VANE, (VELOCITY, observation(10.0)), (VELOCITY, observation(9.0, trial=2))
    )["airflow_standard"]
    for seen in found.observations:
        warmth = error_of(seen, "air temperature as stated") / seen.mean
        assert warmth == pytest.approx(-0.0037, abs=5e-5)
        weight = error_of(seen, "air pressure as stated") / seen.mean
        assert weight == pytest.approx(0.00099, abs=1e-5)
        assert all(e.is_common for e in seen.errors)


def test_an_altitude_alone_carries_one_and_a_half_percent() -> None:
    air = Air(temperature_c=20.0, altitude_m=914.0)
    seen = _derived(VANE, (VELOCITY, observation(10.0)), air=air)[
        "airflow_standard"
    ].observations[0]
    u = error_of(seen, "air pressure from the altitude")
    assert u / seen.mean == pytest.approx(0.015, rel=0.01)
    # ISO 2533: 908.1 hPa at 914 m, so the flow at 1.2 kg/m³ is about 360 * 1.0745/1.2.
    assert seen.mean == pytest.approx(
        360.0 * DENSITY * 0.9081 / 1.01325 / 1.2, rel=1e-3
    )


def test_a_pressure_reduced_to_sea_level_is_taken_to_the_bench() -> None:
    # reference: taken for the bench's own at 914 m it makes the density 11.6 % too high.
    reduced = replace(ROOM, pressure_kind=PressureKind.SEA_LEVEL, altitude_m=914.0)
    right = _derived(VANE, (VELOCITY, observation(10.0)), air=reduced)
    wrong = _derived(VANE, (VELOCITY, observation(10.0)))
    ratio = (
        wrong["airflow_standard"].observations[0].mean
        / right["airflow_standard"].observations[0].mean
    )
    assert ratio == pytest.approx(1.116, abs=1e-3)


def test_a_pressure_that_cannot_be_the_bench_s_own_is_doubted() -> None:
    found = _derived(
        VANE, (VELOCITY, observation(10.0)), air=replace(ROOM, altitude_m=914.0)
    )
    assert any("sea level" in text for text in found["airflow"].remarks)


def test_a_measured_temperature_takes_the_place_of_the_figure() -> None:
    warm = channel("air_temperature", "degF", "duct")
    air = replace(ROOM, temperature_c=None, temperature_channel="air_temperature")
    found = _derived(
        VANE,
        (VELOCITY, observation(10.0)),
        (warm, observation(68.0, ("air_temperature: accuracy", 1.8))),
        air=air,
    )
    seen = found["airflow_standard"].observations[0]
    assert seen.mean == pytest.approx(360.0 * DENSITY / 1.2, rel=1e-4)
    # 1.8 °F are 1 K.
    u = error_of(seen, "air_temperature: accuracy") / seen.mean
    assert u == pytest.approx(-0.0037, abs=5e-5)


def test_a_trial_without_the_temperature_takes_the_figure_and_says_so() -> None:
    warm = channel("air_temperature", "Cel", "duct")
    air = replace(ROOM, temperature_channel="air_temperature")
    found = _derived(
        VANE,
        (VELOCITY, observation(10.0)),
        (VELOCITY, observation(10.0, trial=2, condition="long lead")),
        (warm, observation(30.0)),
        air=air,
    )
    first, second = found["airflow_standard"].observations
    # Temperature makes 3.4 %, the vapour of the warmer air another 0.4 %: 0.37 % a kelvin (CIPM-2007).
    assert second.mean / first.mean == pytest.approx(1.037, abs=2e-3)
    assert any(
        "trial 2 (long lead)" in text and "[air]" in text
        for text in found["airflow"].remarks
    )


def test_a_trial_without_any_temperature_keeps_its_actual_flow() -> None:
    warm = channel("air_temperature", "Cel", "duct")
    air = replace(ROOM, temperature_c=None, temperature_channel="air_temperature")
    found = _derived(
        VANE,
        (VELOCITY, observation(10.0)),
        (VELOCITY, observation(10.0, trial=2)),
        (warm, observation(20.0)),
        air=air,
    )
    assert len(found["airflow"].observations) == 2
    assert [o.trial for o in found["airflow_standard"].observations] == [1]
    assert "temperature is not known" in found["airflow_standard"].remarks[0]


def test_without_a_table_of_the_air_a_vane_still_gives_its_actual_flow() -> None:
    found = _derived(VANE, (VELOCITY, observation(10.0)), air=None)
    assert found["airflow"].observations[0].mean == pytest.approx(360.0)
    assert "airflow_standard" not in found
    assert "[air]" in found["airflow"].remarks[0]


def test_without_a_table_of_the_air_a_pitot_tube_says_what_it_needs() -> None:
    airflow = replace(VANE, channel="pressure", pitot=Pitot())
    found = _derived(airflow, (PRESSURE, observation(100.0)), air=None)["airflow"]
    assert found.observations == ()
    assert "[air]" in found.remarks[0]


def test_a_pitot_tube_gives_the_velocity_of_its_formula() -> None:
    # sqrt(2 * 100 / 1.2) = 12.90994 m/s; 0.035 % less for compression, and by the density's root.
    airflow = replace(VANE, channel="pressure", pitot=Pitot())
    seen = _derived(airflow, (PRESSURE, observation(100.0, ("gauge", 2.0))))
    flow = seen["airflow"].observations[0]
    expected = 36.0 * 12.90994 * math.sqrt(1.2 / DENSITY)
    assert flow.mean == pytest.approx(expected, rel=5e-4)
    # A root: 2 % of the pressure are 1 % of the flow.
    assert error_of(flow, "gauge") == pytest.approx(0.01 * flow.mean)
    # The density enters the actual flow by its inverse root, the standard one by its root.
    standard = seen["airflow_standard"].observations[0]
    warmth = "air temperature as stated"
    assert error_of(flow, warmth) / flow.mean == pytest.approx(0.00185, abs=3e-5)
    assert error_of(standard, warmth) / standard.mean == pytest.approx(
        -0.00185, abs=3e-5
    )


@pytest.mark.parametrize("pressure_pa", [0.0, -5.0])
def test_a_pitot_tube_without_a_difference_says_what_to_check(
    pressure_pa: float,
) -> None:
    airflow = replace(VANE, channel="pressure", pitot=Pitot())
    found = _derived(airflow, (PRESSURE, observation(pressure_pa)))["airflow"]
    assert found.observations == ()
    assert "trial 1 (short lead)" in found.remarks[0]
    assert "pressure difference" in found.remarks[0]


def test_an_orifice_plate_inside_the_standard_gives_its_flow() -> None:
    # ISO 5167-2:2003 by an independent library (fluids 1.3.1): 271.904 m³/h at 1.2 kg/m³; its root for this air.
    flow = _derived(PLATE, (PRESSURE, observation(1000.0)))["airflow"]
    seen = flow.observations[0]
    assert seen.mean == pytest.approx(271.904 * math.sqrt(1.2 / DENSITY), rel=2e-4)
    assert flow.remarks == ()
    # 0.5 % at beta 0.6 as k = 2 (5.3.3), and a little from the expansibility.
    u = error_of(seen, "airflow: orifice's coefficient") / seen.mean
    assert 0.0025 <= u < 0.0026


def test_an_orifice_plate_outside_the_standard_is_called_indicative() -> None:
    small = replace(PLATE, orifice=Orifice(bore_mm=20.0, pipe_mm=40.0))
    flow = _derived(
        small, (PRESSURE, observation(500.0)), (PRESSURE, observation(600.0, trial=2))
    )["airflow"]
    assert len(flow.observations) == 2
    (remark,) = flow.remarks
    assert "indicative" in remark
    assert "in 2 of 2 trials" in remark
    assert "pipe 40 mm" in remark


def test_zero_airflow_is_averaged_and_said() -> None:
    found = _derived(VANE, (VELOCITY, observation(0.0, ("velocity: offset", 0.1))))
    seen = found["airflow"].observations[0]
    assert seen.mean == 0.0
    # The meter's offset is still worth 3.6 m³/h.
    assert error_of(seen, "velocity: offset") == pytest.approx(3.6)
    assert "nothing flows" in found["airflow"].remarks[0]


def test_trials_without_an_airflow_are_listed_in_one_sentence() -> None:
    still = observation(0.0, trial=2, condition="long lead")
    found = _derived(
        VANE,
        (VELOCITY, observation(10.0)),
        (VELOCITY, still),
        (VELOCITY, replace(still, trial=3, mean=-0.02)),
    )
    assert found["airflow"].remarks == (
        "airflow is not above zero in trials 2 (long lead), 3 (long lead): nothing flows, or check velocity and the way"
        " its meter faces",
    )


def test_air_power_is_flow_times_pressure_however_suction_is_signed() -> None:
    # reference: 30 L/s times 10 kPa is 300 W.
    airflow = Airflow(
        "airflow",
        "Airflow",
        "flow",
        AirMeterKind.VANE,
        unit="L/s",
        pressure_channel="pressure",
    )
    flow = channel("flow", "L/s", "duct")
    suction = channel("pressure", "kPa", "duct")
    found = _derived(
        airflow,
        (flow, observation(30.0, ("flow: gain", 0.3))),
        (suction, observation(-10.0, ("pressure: gain", -0.2))),
    )
    seen = found["air_power"].observations[0]
    assert seen.mean == pytest.approx(300.0)
    assert error_of(seen, "flow: gain") == pytest.approx(3.0)
    assert error_of(seen, "pressure: gain") == pytest.approx(6.0)
    # 10 of 101.3 kPa.
    assert any("9.9 %" in text for text in found["airflow"].remarks)


def test_a_channel_without_averages_is_said() -> None:
    found = _derived(VANE, (PRESSURE, observation(100.0)))["airflow"]
    assert found.observations == ()
    assert "velocity has no average" in found.remarks[0]


@given(
    velocity=st.floats(0.01, 60.0),
    warmer=st.floats(0.1, 15.0),
    kind=st.sampled_from(AirMeterKind),
)
def test_standard_flow_never_rises_with_the_room_s_warmth(
    velocity: float, warmer: float, kind: AirMeterKind
) -> None:
    airflow = replace(VANE, meter=kind)
    cold, warm = (
        _derived(
            airflow,
            (VELOCITY, observation(velocity)),
            air=replace(ROOM, temperature_c=15.0 + more),
        )["airflow_standard"].observations[0]
        for more in (0.0, warmer)
    )
    # A thermal meter's is the same at any warmth, but for rounding.
    assert warm.mean <= cold.mean * (1.0 + 1e-12)
