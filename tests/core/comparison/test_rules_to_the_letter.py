"""What is taken where plan and bench say nothing, as the guide's tables of keys have it, and what is kept of it."""

import pickle

import pytest

from daq.comparison.lead_watch import LeadWatch
from daq.comparison.rules import (
    ELECTRICAL_NAMES,
    Air,
    Airflow,
    Circuit,
    ComparisonRules,
    ConditionFacts,
    LeadFacts,
    Nameplate,
    Orifice,
    Pitot,
    Surroundings,
)
from daq.physics.airflow import AirMeterKind
from tests.core.comparison.lead_runs import CURRENT, LONG, MACHINE, SUPPLY


def test_what_a_bench_does_not_say_of_its_air_and_ducts() -> None:
    assert Air() == Air(
        temperature_c=None,
        temperature_u_k=1.0,
        humidity_percent=50.0,
        humidity_u_percent=15.0,
        pressure_hpa=None,
        pressure_u_hpa=1.0,
        pressure_kind=None,
        altitude_m=None,
        temperature_channel="",
        pressure_channel="",
        humidity_channel="",
        reference_density_kg_per_m3=1.2,
    )
    assert Airflow("flow", "Flow", "speed", AirMeterKind.VANE) == Airflow(
        name="flow",
        title="Flow",
        channel="speed",
        meter=AirMeterKind.VANE,
        unit="m3/h",
        area_m2=None,
        area_u_percent=0.0,
        profile_factor=1.0,
        profile_factor_u=0.0,
        calibrated_at_kg_per_m3=1.2,
        pitot=None,
        orifice=None,
        pressure_channel="",
    )
    assert Pitot() == Pitot(factor=1.0)
    assert Orifice(60.0, 100.0) == Orifice(60.0, 100.0, taps="corner")
    assert Surroundings() == Surroundings(air=None, airflows=())


def test_what_is_derived_of_meters_alone_keeps_its_names() -> None:
    assert ELECTRICAL_NAMES == (
        "apparent_power",
        "power_factor",
        "voltage_drop",
        "lead_resistance",
    )


def test_what_a_plan_does_not_say_of_machine_leads_and_comparison() -> None:
    assert Nameplate() == Nameplate(None, None, None, None, "", tolerance_percent=0.0)
    assert LeadFacts() == LeadFacts(
        area_mm2=None,
        awg=None,
        length_m=None,
        conductor="flexible",
        rated_current_a=None,
        loop_ohm=None,
        loop_expanded_uncertainty_ohm=0.0,
        is_coiled=False,
    )
    assert ConditionFacts("a") == ConditionFacts("a", changes=(), price=None, lead=None)
    assert Circuit() == Circuit(None, None, drop_percent=3.0)
    assert ComparisonRules() == ComparisonRules(
        answer=None,
        bracketing=False,
        common_share=0.8,
        earlier_sessions=True,
        conveying_exponent=5.0,
        detect_percent=None,
        spreads={},
        currency="",
    )


@pytest.mark.parametrize(
    ("lead", "said"),
    [
        (LeadFacts(), ""),
        (LeadFacts(area_mm2=2.5), "2.5 mm²"),
        (LeadFacts(length_m=25.0), "25 m"),
        (LeadFacts(area_mm2=2.5, length_m=25.0), "2.5 mm², 25 m"),
        (LeadFacts(awg=14, length_m=30.48), "14 AWG, 30.48 m"),
        (LeadFacts(awg=0), "0 AWG"),
    ],
)
def test_a_lead_is_called_by_its_size_and_length(lead: LeadFacts, said: str) -> None:
    assert lead.designation == said


def test_a_watch_of_leads_keeps_two_minutes_however_long_nothing_happens() -> None:
    channels = (SUPPLY, MACHINE, CURRENT)
    sizes = []
    for seconds in (200, 2000):
        watch = LeadWatch(channels, (LONG,), baseline="short lead")
        for second in range(seconds):
            for each in channels:
                watch.feed(each.name, 1e4 + second, 1.0)
        sizes.append(len(pickle.dumps(watch)))
    assert sizes[0] == sizes[1]
