"""All that is derived of a session at once: nothing crashes, nothing takes a channel's name."""

import pytest

from daq.comparison.derived import derive_quantities
from daq.comparison.observations import Observation, Quantity
from daq.comparison.rules import (
    Air,
    Airflow,
    Surroundings,
)
from daq.physics.airflow import AirMeterKind
from daq.physics.atmosphere import PressureKind
from daq.records import Channel
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
BENCH: tuple[tuple[Channel, float], ...] = (
    (channel("supply_voltage", "V", "supply end"), 230.0),
    (channel("machine_voltage", "V"), 225.0),
    (channel("current", "A"), 5.0),
    (channel("power", "W"), 1000.0),
    (channel("velocity", "m/s", "duct"), 10.0),
    (channel("pressure", "Pa", "duct"), 800.0),
)


def _derive(
    bench: tuple[tuple[Channel, float], ...] = BENCH,
    surroundings: Surroundings = Surroundings(ROOM, (DUCT,)),  # noqa: B008 - frozen
    *,
    normalised: tuple[str, ...] = (),
) -> tuple[dict[str, Quantity], dict[str, tuple[Observation, ...]], tuple[str, ...]]:
    quantities, observations, remarks = derive_quantities(
        tuple(each for each, _ in bench),
        surroundings,
        {each.name: (observation(mean),) for each, mean in bench},
        normalised=normalised,
    )
    return {q.name: q for q in quantities}, observations, remarks


def test_a_whole_bench_gives_every_quantity_under_its_name() -> None:
    quantities, observations, remarks = _derive()
    assert set(quantities) == set(observations)
    assert set(quantities) == {
        "airflow",
        "airflow_standard",
        "air_power",
        "apparent_power",
        "power_factor",
        "voltage_drop",
        "efficiency",
    }
    assert remarks == ()
    assert all(q.formula for q in quantities.values())


def test_efficiency_is_air_power_over_power() -> None:
    # 0.1 m³/s times 800 Pa is 80 W, of 1000 W 8 %.
    _, observations, _ = _derive()
    assert observations["efficiency"][0].mean == pytest.approx(0.08)


def test_nothing_is_derived_under_the_name_of_a_channel() -> None:
    # A user's own channel of that name, though of another quantity.
    bench = (*BENCH, (channel("voltage_drop", "V", "somewhere"), 5.0))
    quantities, observations, _ = _derive(bench)
    assert "voltage_drop" not in quantities
    assert "voltage_drop" not in observations


def test_a_bench_without_air_and_airflow_gives_what_the_supply_tells() -> None:
    quantities, _, remarks = _derive(surroundings=Surroundings())
    assert set(quantities) == {"apparent_power", "power_factor", "voltage_drop"}
    assert remarks == ()


def test_nothing_measured_derives_nothing() -> None:
    assert _derive(()) == (
        {},
        {},
        ("airflow is not derived: velocity has no average in this session",),
    )


def test_more_air_power_than_power_is_refused_in_words() -> None:
    bench = tuple((c, 10.0 if c.name == "power" else mean) for c, mean in BENCH)
    quantities, _, remarks = _derive(bench)
    assert "efficiency" not in quantities
    assert any("efficiency in trial 1" in text for text in remarks)


def test_an_error_of_the_flow_comes_through_to_the_efficiency() -> None:
    measured = {each.name: (observation(mean),) for each, mean in BENCH}
    measured["velocity"] = (observation(10.0, ("velocity: gain", 0.2)),)
    _, observations, _ = derive_quantities(
        tuple(each for each, _ in BENCH),
        Surroundings(ROOM, (DUCT,)),
        measured,
    )
    # 2 % of 0.08.
    u = error_of(observations["efficiency"][0], "velocity: gain")
    assert u == pytest.approx(0.0016)


def test_what_was_taken_to_a_reference_voltage_is_not_mixed_with_what_was_not() -> None:
    quantities, _, remarks = _derive(normalised=("power", "velocity"))
    assert "air_power" not in quantities
    assert "power_factor" not in quantities
    assert {"airflow", "airflow_standard"} <= set(quantities)
    assert sum("reference voltage" in text for text in remarks) == 2


def test_all_at_one_reference_voltage_makes_an_efficiency() -> None:
    quantities, _, _ = _derive(normalised=("power", "velocity", "pressure"))
    assert "efficiency" in quantities


def test_what_is_wrong_in_the_same_way_in_several_trials_is_said_once() -> None:
    measured: dict[str, tuple[Observation, ...]] = {
        each.name: (observation(mean), observation(mean, trial=2))
        for each, mean in BENCH
    }
    measured["machine_voltage"] = (observation(225.0),)
    measured["velocity"] = (observation(0.0), observation(0.0, trial=2))
    *_, remarks = derive_quantities(
        tuple(each for each, _ in BENCH), Surroundings(ROOM, (DUCT,)), measured
    )
    assert sum("trials 1 (short lead), 2 (short lead)" in said for said in remarks) == 1
    assert len(remarks) == len(set(remarks))
