"""How an error of one meter comes through to all that is derived of it, with its sign."""

from dataclasses import replace

import pytest

from daq.comparison.derived import derive_quantities
from daq.comparison.rules import Air, Airflow, Orifice, Surroundings
from daq.physics.airflow import AirMeterKind
from daq.physics.atmosphere import PressureKind
from tests.core.comparison.observed import channel, error_of, observation

ROOM = Air(temperature_c=20.0, pressure_hpa=1013.25, pressure_kind=PressureKind.STATION)
DUCT = Airflow(
    "airflow",
    "Airflow",
    "velocity",
    AirMeterKind.VANE,
    area_m2=0.01,
    pressure_channel="pressure",
)
BENCH = {
    channel("supply_voltage", "V", "supply end"): 230.0,
    channel("machine_voltage", "V"): 225.0,
    channel("current", "A"): 5.0,
    channel("power", "W"): 1000.0,
    channel("velocity", "m/s", "duct"): 10.0,
    channel("pressure", "Pa", "duct"): -800.0,
}
FACTOR = 1000.0 / (225.0 * 5.0)


@pytest.mark.parametrize(
    ("wrong", "comes_to"),
    [
        # 1 % of each: 0.1 m³/s times 800 Pa are 80 W, of 1000 W 8 %; an hour's flow is 360 m³.
        ("supply_voltage", {"voltage_drop": 2.3}),
        (
            "machine_voltage",
            {
                "voltage_drop": -2.25,
                "apparent_power": 11.25,
                "power_factor": -0.01 * FACTOR,
            },
        ),
        ("current", {"apparent_power": 11.25, "power_factor": -0.01 * FACTOR}),
        ("power", {"power_factor": 0.01 * FACTOR, "efficiency": -0.0008}),
        ("velocity", {"airflow": 3.6, "air_power": 0.8, "efficiency": 0.0008}),
        # A suction is shown as negative: more of it is more power.
        ("pressure", {"air_power": -0.8, "efficiency": -0.0008}),
    ],
)
def test_an_error_comes_through_with_its_sign(
    wrong: str, comes_to: dict[str, float]
) -> None:
    measured = {
        each.name: (
            observation(
                mean,
                *([(f"{wrong}: gain", 0.01 * abs(mean))] if each.name == wrong else []),
            ),
        )
        for each, mean in BENCH.items()
    }
    _, observations, _ = derive_quantities(
        tuple(BENCH), Surroundings(ROOM, (DUCT,)), measured
    )
    found = {
        name: error_of(seen, f"{wrong}: gain")
        for name, (seen,) in observations.items()
        if name != "airflow_standard"
    }
    assert {name: error for name, error in found.items() if error} == pytest.approx(
        comes_to
    )


@pytest.mark.parametrize(("pipe_mm", "is_vouched_for"), [(100.0, 1), (40.0, 0)])
def test_a_plate_that_the_standard_does_not_vouch_for_has_no_uncertainty_from_it(
    pipe_mm: float, is_vouched_for: int
) -> None:
    # ISO 5167-2:2003, 5.3.1, begins at pipes of 50 mm.
    plate = replace(DUCT, channel="pressure", area_m2=None, pressure_channel="")
    plate = replace(plate, orifice=Orifice(0.6 * pipe_mm, pipe_mm))
    shown = channel("pressure", "Pa", "duct")
    _, observations, remarks = derive_quantities(
        (shown,), Surroundings(ROOM, (plate,)), {"pressure": (observation(800.0),)}
    )
    (flow,) = observations["airflow"]
    sources = [e.source for e in flow.errors]
    assert sources.count("airflow: orifice's coefficient") == is_vouched_for
    assert len([r for r in remarks if "is indicative" in r]) == 1 - is_vouched_for


def test_what_a_bench_does_not_state_adds_no_error() -> None:
    plain = replace(DUCT, pressure_channel="")
    shown = channel("velocity", "m/s", "duct")
    _, observations, _ = derive_quantities(
        (shown,), Surroundings(ROOM, (plain,)), {"velocity": (observation(10.0),)}
    )
    (flow,) = observations["airflow"]
    assert flow.errors == ()
