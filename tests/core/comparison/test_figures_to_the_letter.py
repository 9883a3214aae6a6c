"""Single figures and words of a comparison that nobody else looks at, each by hand."""

from dataclasses import replace

import pytest

from daq.comparison.airflows import airflow_derivations
from daq.comparison.designs import difference_shown
from daq.comparison.electrical import electrical_derivations
from daq.comparison.lead_report import label
from daq.comparison.nameplate import machine_channels
from daq.comparison.observations import Quantity
from daq.comparison.rules import Air, Airflow, LeadFacts, Pitot, Surroundings
from daq.comparison.trial_inputs import TrialInputs
from daq.comparison.verdicts import compare_quantity
from daq.physics.airflow import AirMeterKind
from daq.physics.atmosphere import PressureKind
from tests.core.comparison.observed import channel, observation


@pytest.mark.parametrize("unit", ["Cel", "W"])
def test_degrees_have_no_ratio_and_watts_have(unit: str) -> None:
    seen = [
        observation(mean, trial=n, condition=condition, within=0.1, nu=30.0)
        for n, (condition, mean) in enumerate(
            [("bare", 60.0), ("hose", 72.0), ("bare", 60.2), ("hose", 72.2)], 1
        )
    ]
    quantity = Quantity("motor", "Motor", "", unit)
    found = compare_quantity(quantity, seen, baseline="bare")
    assert found is not None
    both = (*found.differences, *found.other_differences)
    assert [d.condition for d in both] == ["hose", "hose"]
    assert [d.difference for d in both] == pytest.approx([12.0, 12.0], abs=0.3)
    assert [d.ratio is None for d in both] == [unit == "Cel"] * 2
    assert [d.ratio_expanded_uncertainty is None for d in both] == [unit == "Cel"] * 2


def test_what_a_meter_may_be_wrong_by_is_shown_by_no_smaller_difference() -> None:
    # Next to no spread: (1.960 + 0.842) standard deviations of the normal distribution find it four times in five.
    found = difference_shown(
        [5],
        baseline_repeats=5,
        std_dev=1e-5,
        degrees_of_freedom=8,
        systematic=1.0,
    )
    assert found == pytest.approx(1.960 + 0.842, abs=0.01)


def test_an_apparent_power_that_is_measured_is_not_derived_as_well() -> None:
    measured = {
        channel("voltage", "V"): observation(230.0),
        channel("current", "A"): observation(5.0),
        channel("power", "W"): observation(1000.0),
        channel("meters_own", "VA"): observation(1150.0),
    }
    inputs = TrialInputs(
        tuple(measured), {each.name: (seen,) for each, seen in measured.items()}, ()
    )
    names = [d.quantity.name for d in electrical_derivations(inputs)]
    assert names == ["power_factor"]


@pytest.mark.parametrize(
    ("taken", "told"),
    [
        (
            ("power",),
            "power was taken to a reference voltage, voltage and current were",
        ),
        (
            ("power", "current"),
            "power and current were taken to a reference voltage, voltage was",
        ),
    ],
)
def test_figures_at_reference_voltage_and_as_they_were_are_not_mixed(
    taken: tuple[str, ...], told: str
) -> None:
    measured = {
        channel("voltage", "V"): observation(230.0),
        channel("current", "A"): observation(5.0),
        channel("power", "W"): observation(1000.0),
    }
    inputs = TrialInputs(
        tuple(measured),
        {each.name: (seen,) for each, seen in measured.items()},
        taken,
    )
    found = {d.quantity.name: d for d in electrical_derivations(inputs)}
    assert found["power_factor"].remarks == (
        f"power_factor is not derived: {told} not",
    )


def test_a_condition_says_what_stands_on_its_lead_once() -> None:
    lead = LeadFacts(area_mm2=2.5, length_m=25.0)
    assert label("long lead", lead) == "long lead (2.5 mm², 25 m)"
    assert label("2.5 mm2, 25 m, coiled", lead) == "2.5 mm2, 25 m, coiled"


def test_a_machines_own_end_comes_before_the_supplys() -> None:
    ends = [
        Quantity(place, place, "current", "A", place=place)
        for place in ("blower box", "supply end", "machine end")
    ]
    found = machine_channels(ends, "current")
    assert [q.place for q in found] == ["machine end", "supply end", "blower box"]
    volts = [replace(q, quantity="voltage", unit="V") for q in ends]
    assert [q.place for q in machine_channels(volts, "voltage")] == [
        "machine end",
        "blower box",
    ]


def _pitot_flow_m3_per_h(factor: float) -> float:
    air = Air(
        temperature_c=20.0,
        humidity_percent=50.0,
        pressure_hpa=1013.25,
        pressure_kind=PressureKind.STATION,
    )
    airflow = Airflow(
        "airflow",
        "Airflow",
        "pressure",
        AirMeterKind.VANE,
        area_m2=0.01,
        pitot=Pitot(factor=factor),
    )
    inputs = TrialInputs(
        (channel("pressure", "Pa", "duct"),), {"pressure": (observation(100.0),)}, ()
    )
    derived = airflow_derivations(inputs, Surroundings(air, (airflow,)))
    (flow,) = next(d for d in derived if d.quantity.name == "airflow").observations
    return flow.mean


def test_a_tubes_own_factor_goes_into_the_flow() -> None:
    # The velocity is the factor times the root of the pressure.
    assert _pitot_flow_m3_per_h(0.84) == pytest.approx(0.84 * _pitot_flow_m3_per_h(1.0))
