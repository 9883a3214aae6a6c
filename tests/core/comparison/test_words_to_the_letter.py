"""What a comparison says in whole sentences: descriptions of what is derived, findings of leads, refusals."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from daq.comparison.airflows import airflow_derivations
from daq.comparison.derived import derive_quantities
from daq.comparison.lead_decisions import Doubt, Finding
from daq.comparison.lead_measuring import LoopMeasurement, Method
from daq.comparison.lead_ranges import LeadRange
from daq.comparison.lead_report import LeadFinding, assumptions, sentence
from daq.comparison.lead_watch import unwatched
from daq.comparison.observations import Quantity
from daq.comparison.rules import (
    Air,
    Airflow,
    ConditionFacts,
    LeadFacts,
    Orifice,
    Pitot,
    Surroundings,
)
from daq.comparison.trial_inputs import TrialInputs
from daq.physics.airflow import AirMeterKind
from daq.physics.atmosphere import PressureKind
from daq.physics.lead_resistance import Measured
from daq.records import Channel, Contribution
from daq.uncertainty import combine
from tests.core.comparison.observed import channel, observation

ROOM = Air(temperature_c=20.0, pressure_hpa=1013.25, pressure_kind=PressureKind.STATION)
DUCT = Airflow("airflow", "Airflow", "velocity", AirMeterKind.VANE, area_m2=0.01)
VELOCITY = (channel("velocity", "m/s", "duct"), 10.0)
PRESSURE = (channel("pressure", "Pa", "duct"), 800.0)
Bench = Sequence[tuple[Channel, float]]


def _quantities(bench: Bench, surroundings: Surroundings) -> dict[str, Quantity]:
    quantities, _, _ = derive_quantities(
        tuple(each for each, _ in bench),
        surroundings,
        {each.name: (observation(mean),) for each, mean in bench},
    )
    return {q.name: q for q in quantities}


def _described(quantity: Quantity) -> tuple[str, ...]:
    q = quantity
    return q.title, q.quantity, q.unit, q.place, q.formula


def test_what_is_derived_says_of_what_it_is_made_and_where() -> None:
    bench = (
        (channel("supply_voltage", "V", "supply end"), 230.0),
        (channel("machine_voltage", "V"), 225.0),
        (channel("current", "A"), 5.0),
        (channel("power", "W"), 1000.0),
        VELOCITY,
        PRESSURE,
    )
    duct = replace(DUCT, pressure_channel="pressure")
    found = _quantities(bench, Surroundings(ROOM, (duct,)))
    assert {name: _described(each) for name, each in found.items()} == {
        "airflow": (
            "Airflow",
            "airflow",
            duct.unit,
            "duct",
            "velocity times 0.01 m²",
        ),
        "airflow_standard": (
            "Airflow, standard air",
            "airflow",
            duct.unit,
            "duct",
            (
                "the volume that the meter shows of velocity, as volume of the same mass at 1.2 kg/m³ (ISO 5801);"
                " density of the moist air by CIPM-2007"
            ),
        ),
        "air_power": (
            "Air power",
            "air power",
            "W",
            "duct",
            "airflow times pressure, at one plane, incompressible",
        ),
        "apparent_power": (
            "Apparent power",
            "apparent power",
            "VA",
            "machine end",
            "machine_voltage times current (IEEE Std 1459-2010, single phase)",
        ),
        "power_factor": (
            "Power factor",
            "power factor",
            "1",
            "machine end",
            (
                "power over machine_voltage times current, of their means over one window (IEEE Std 1459-2010,"
                " single phase)"
            ),
        ),
        "voltage_drop": (
            "Voltage drop",
            "voltage",
            "V",
            "lead",
            (
                "supply_voltage less machine_voltage under load; what the two meters differ by with the machine off is"
                " not taken off here, it cancels between conditions"
            ),
        ),
        "efficiency": (
            "Efficiency",
            "efficiency",
            "1",
            "",
            "air_power over power",
        ),
    }


@pytest.mark.parametrize(
    ("airflow", "actual", "standard"),
    [
        (
            replace(DUCT, meter=AirMeterKind.THERMAL, calibrated_at_kg_per_m3=1.189),
            "velocity times 0.01 m²; the meter follows the mass at 1.189 kg/m³, taken to the air's"
            " density by CIPM-2007",
            "the mass that the meter shows, scaled at 1.189 kg/m³ of velocity",
        ),
        (
            replace(
                DUCT, meter=AirMeterKind.FIXED_DENSITY, calibrated_at_kg_per_m3=1.2
            ),
            "velocity times 0.01 m²; the meter takes the air to have 1.2 kg/m³, taken to the air's"
            " density by CIPM-2007",
            "a pressure's root, scaled at 1.2 kg/m³ of velocity",
        ),
        (
            replace(DUCT, profile_factor=0.82),
            "velocity times 0.01 m² times profile factor 0.82",
            "the volume that the meter shows of velocity",
        ),
        (
            replace(DUCT, channel="pressure", pitot=Pitot(factor=0.84)),
            "velocity from pressure (pitot tube, ISO 3966, density by CIPM-2007) times 0.01 m²",
            "the volume derived here of pressure",
        ),
        (
            replace(
                DUCT,
                channel="pressure",
                area_m2=None,
                orifice=Orifice(bore_mm=60.0, pipe_mm=100.0, taps="corner"),
            ),
            (
                "orifice plate of 60 mm in a pipe of 100 mm, corner taps, from pressure (ISO"
                " 5167-2:2003), with the room's"
                " pressure before the plate"
            ),
            "the volume derived here of pressure",
        ),
    ],
)
def test_an_airflow_says_how_its_meter_is_taken(
    airflow: Airflow, actual: str, standard: str
) -> None:
    found = _quantities((VELOCITY, PRESSURE), Surroundings(ROOM, (airflow,)))
    assert found["airflow"].formula == actual
    assert found["airflow_standard"].formula == (
        f"{standard}, as volume of the same mass at 1.2 kg/m³ (ISO 5801); density of the moist air by CIPM-2007"
    )


def test_what_of_an_airflow_is_to_be_doubted_is_said() -> None:
    duct = replace(DUCT, pressure_channel="pressure")
    bench = ((VELOCITY[0], 0.0), (PRESSURE[0], -3000.0))
    inputs = TrialInputs(
        tuple(each for each, _ in bench),
        {each.name: (observation(mean),) for each, mean in bench},
        (),
    )
    flow, *_ = airflow_derivations(inputs, Surroundings(ROOM, (duct,)))
    still = (
        "airflow is not above zero in trial 1 (short lead): nothing flows, or check velocity and the way its meter"
        " faces"
    )
    # 3000 Pa of 101 325 Pa.
    assert flow.remarks == (
        still,
        (
            "airflow: the density used is that of the room, but pressure is up to 3.0 % of the"
            " room's pressure; if the air"
            " meter sits there, its air is thinner (suction) or denser by as much"
        ),
    )
    # Of several trials the one that differs most counts.
    steady = observation(-100.0, trial=2)
    both = replace(
        inputs,
        observations={
            "velocity": (observation(0.0), observation(0.0, trial=2)),
            "pressure": (*inputs.observations["pressure"], steady),
        },
    )
    flow, *_ = airflow_derivations(both, Surroundings(ROOM, (duct,)))
    assert "pressure is up to 3.0 % of" in flow.remarks[1]
    flow, *_ = airflow_derivations(inputs, Surroundings(None, (duct,)))
    assert flow.remarks == (
        "airflow_standard is not derived: the bench file has no table [air]",
        still,
    )


# ---- leads

LEAD = LeadFacts(area_mm2=1.5, length_m=25.0)
RANGE = LeadRange(0.575, 0.705, 1.149, "IEC 60228")
FOUND = LeadFinding(
    condition="long lead",
    lead=LEAD,
    trials=(1,),
    finding=Finding.AS_IT_SHOULD_BE,
    doubt=None,
    resistance_ohm=0.65,
    uncertainty=None,
    contributions=(),
    stated=RANGE,
    method=Method.TWO_VOLTMETERS,
    is_least=False,
    sentence="",
)
MEASURED = (
    "long lead (1.5 mm², 25 m): 0.650 ± 0.020 ohm in the loop at 20 °C, where 0.575 to 0.705 ohm are expected"
    " (IEC 60228)"
)


def _said(*, u: float = 0.01, ohm: float = 0.65, **changes: Any) -> str:
    found = replace(FOUND, **changes)
    return sentence(found, ohm, combine([Contribution(u)]))


def test_a_lead_that_is_as_it_should_be_is_said_with_what_is_expected() -> None:
    assert _said() == f"{MEASURED}: as it should be."


def test_a_lead_with_too_much_is_said_with_its_causes_and_what_to_do() -> None:
    assert _said(finding=Finding.TOO_HIGH) == (
        f"{MEASURED}: too high. Conductors thinner than the jacket says, a bad contact in plug,"
        " socket or joint, or more"
        " length than the plan states. Unplug it, look for loose or discoloured contacts, and have it checked by a"
        " qualified person before it carries a load again."
    )


@pytest.mark.parametrize(
    ("doubt", "told"),
    [
        (
            Doubt.NOTHING_STATED,
            "State its size and length in the plan ([condition.lead]).",
        ),
        (
            Doubt.NOT_LISTED,
            "No standard read here lists a greatest resistance for this size.",
        ),
        (
            Doubt.TOO_LOW,
            "That is less than copper of this size and length has: check the length in the plan and"
            " the ammeter's scaling,"
            " or another lead was fitted.",
        ),
        (
            Doubt.RELATIVE,
            "With one voltmeter the baseline's own lead comes on top: enter that one's loop_ohm, or"
            " its size and length.",
        ),
        (
            Doubt.TOO_UNCERTAIN,
            "It is known to 2 % (standard uncertainty; 15 % is the worst that decides); most of that is the gain of the"
            " voltmeters. What could tell: calibrated voltmeters, or more current.",
        ),
        (
            Doubt.TOO_COARSE,
            "It is known to 2 % (standard uncertainty; 15 % is the worst that decides), and conductors one size smaller"
            " might be missed; most of that is the gain of the voltmeters. What could tell:"
            " calibrated voltmeters, or more"
            " current.",
        ),
    ],
)
def test_why_a_lead_cannot_be_told_is_said_with_what_could(
    doubt: Doubt, told: str
) -> None:
    parts = (
        Contribution(0.004, name="current"),
        Contribution(0.009, name="gain of the voltmeters"),
        Contribution(0.001, name="reactance"),
    )
    said = _said(finding=Finding.CANNOT_TELL, doubt=doubt, contributions=parts)
    assert said == f"{MEASURED}: cannot tell. {told}"


def test_a_drop_below_its_own_uncertainty_has_no_percentage() -> None:
    said = _said(
        finding=Finding.CANNOT_TELL,
        doubt=Doubt.TOO_UNCERTAIN,
        contributions=(Contribution(0.02, name="reactance"),),
        stated=replace(RANGE, high_ohm=None),
        is_least=True,
        ohm=0.02,
        u=0.02,
    )
    assert "copper of its size has 0.575 ohm: cannot tell." in said
    assert said.endswith(
        " The drop drowns in its uncertainty; most of that is the reactance. What could tell: a longer lead, or more"
        " current."
    )


@pytest.mark.parametrize(
    ("cause", "remedy"),
    [
        (
            "idle difference of the voltmeters",
            "half a minute with the lead connected before and after each run, or repeats",
        ),
        ("scatter under load", "repeats, or a longer run"),
        (
            "wander of the supply",
            "repeats, or a second voltmeter at the supply's end",
        ),
        ("display of the voltmeters", "voltmeters with a finer display"),
        (
            "accuracy of the voltmeters",
            "half a minute with the lead connected and the machine off before each run",
        ),
        ("current", "a more accurate ammeter"),
        ("power factor", "a power meter at the machine's end"),
        (
            "copper's temperature",
            "the lead's own temperature, or a run with the lead still cool",
        ),
        (
            "baseline's lead",
            "the resistance of the baseline's lead (loop_ohm)",
        ),
    ],
)
def test_every_cause_has_its_own_remedy(cause: str, remedy: str) -> None:
    said = _said(
        finding=Finding.CANNOT_TELL,
        doubt=Doubt.TOO_COARSE,
        contributions=(Contribution(0.01, name=cause),),
    )
    assert said.endswith(
        f"most of that is the {cause}. What could tell: {remedy}, or more current."
    )


def test_what_findings_assume_is_said_where_it_is_assumed() -> None:
    plain = LoopMeasurement(
        1,
        "long lead",
        Method.TWO_VOLTMETERS,
        0.65,
        (),
        6.5,
        10.0,
        0.95,
        power_factor_is_assumed=False,
    )
    copper = Measured(31.0, 5.86)
    assert assumptions([], copper) == []
    always = [
        (
            "Copper at 31 °C with a standard uncertainty of 5.9 K: the room's temperature and 0 to"
            " 20 K of warming under"
            " load (common practice, no published source)."
        ),
        (
            "Contacts of plugs and sockets are in the loop; 0.02 ohm on top of the standard's maximum are taken to be"
            " sound (common practice, no published source)."
        ),
    ]
    assert assumptions([plain], copper) == always
    assumed = replace(plain, method=Method.STEP, power_factor_is_assumed=True)
    assert assumptions([plain, assumed], copper) == [
        *always,
        (
            "Power factor 0.9 with a standard uncertainty of 0.06: taken where none that can be was measured (common"
            " practice, no published source)."
        ),
        "With one voltmeter, wiring and supply are taken to be the same under every condition.",
    ]


def test_why_a_wrong_lead_is_not_noticed_is_said() -> None:
    both = [
        ConditionFacts("short lead", ("lead",), None, LEAD),
        ConditionFacts("long lead", ("lead",), None, None),
    ]
    volts, amperes = channel("voltage", "V"), channel("current", "A")
    supply = channel("supply", "V", "supply end")
    unstated = "a wrong lead is not noticed: the plan does not state size and length of every lead ([condition.lead])"
    # One of two is not every lead.
    assert unwatched([volts, amperes], both, baseline="short lead") == unstated
    stated = [each for each in both if each.lead]
    assert unwatched([volts], stated, baseline="short lead") == (
        "a wrong lead is not noticed: there is no current channel"
    )
    assert unwatched([amperes], stated, baseline="short lead") == (
        "a wrong lead is not noticed: there is no voltmeter at the machine's end (place = 'machine end')"
    )
    assert unwatched([supply, amperes], stated, baseline="short lead") == (
        "a wrong lead is not noticed: a voltage measured at the supply's end alone says nothing of the lead, put a"
        " voltmeter at the machine's end (place = 'machine end')"
    )
    assert unwatched([volts, amperes], stated, baseline="short lead") == ""
    assert unwatched([volts, supply, amperes], stated, baseline="outlet") == ""
    assert unwatched([volts, amperes], stated, baseline="outlet") == (
        "a wrong lead is not noticed: with one voltmeter leads are known against the baseline's, and the plan does not"
        " state size and length of that one ([condition.lead] of 'outlet')"
    )
