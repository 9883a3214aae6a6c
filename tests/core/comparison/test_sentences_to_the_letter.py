"""What a comparison refuses, cannot tell or names, each sentence whole."""

import math
from dataclasses import replace

import pytest

from daq.comparison.conveying import compare_conveying
from daq.comparison.derived import derive_quantities
from daq.comparison.drift import baseline_drift
from daq.comparison.electrical import observed_power_factor
from daq.comparison.lead_decisions import Doubt, Finding
from daq.comparison.lead_findings import find_leads, observed_resistances
from daq.comparison.lead_measuring import Method
from daq.comparison.lead_ranges import lead_range
from daq.comparison.lead_readings import TrialEdges
from daq.comparison.lead_report import LeadReport, resistance_words
from daq.comparison.nameplate import compare_nameplate
from daq.comparison.observations import propagate
from daq.comparison.rules import (
    Air,
    Airflow,
    ConditionFacts,
    LeadFacts,
    Nameplate,
    Orifice,
    Pitot,
    Surroundings,
)
from daq.comparison.spread import SpreadSource
from daq.comparison.systematic import error_parts
from daq.physics.airflow import AirMeterKind
from daq.physics.atmosphere import PressureKind
from daq.records import Accuracy, Channel
from daq.uncertainty import contributions_of_accuracy
from tests.core.advice.sessions import BARE, FLOW, POWER, compared
from tests.core.comparison.lead_runs import (
    CURRENT,
    LONG,
    MACHINE,
    POWER_FACTOR,
    edges_of,
    levels_of,
)
from tests.core.comparison.observed import channel, observation

# ---- what is not compared


@pytest.mark.parametrize(
    ("means", "told"),
    [
        (
            {FLOW: {"a": [90.0, 90.0]}},
            "no trial of the baseline 'bare' was averaged, so nothing tells whether anything drifted",
        ),
        (
            {FLOW: {BARE: [100.0], "a": [90.0, 90.0]}},
            (
                "the baseline 'bare' was averaged once, so nothing tells whether anything drifted: carry it out first"
                ' and last ([order] kind = "baseline first and last")'
            ),
        ),
    ],
)
def test_without_a_baseline_at_both_ends_no_drift_is_told(means, told):
    found = baseline_drift(compared(means))
    assert (found.checks, found.absent) == ((), told)


def test_a_flow_that_cannot_be_held_against_the_baseline_has_no_index():
    still = compare_conveying(compared({FLOW: {BARE: [0.0], "long": [90.0]}}))
    assert still.remarks == (
        "long: no conveying index, the baseline's flow is not clearly different from zero",
    )
    none = compare_conveying(compared({POWER: {BARE: [100.0], "long": [90.0]}}))
    assert none.remarks == (
        "no conveying index: no airflow or velocity was compared with the baseline",
    )


def test_a_power_factor_that_cannot_be_is_told_with_what_to_check():
    power, volts, amperes = observation(1200.0), observation(100.0), observation(10.0)
    with pytest.raises(ValueError, match="power factor") as refused:
        observed_power_factor((power, volts, amperes))
    assert str(refused.value) == (
        "power factor 1.200 ± 0.000, which cannot be above 1: check the meters' scaling, and that power, voltage and"
        " current are of the same machine"
    )
    with pytest.raises(ValueError, match="expected both above 0") as refused:
        observed_power_factor((power, volts, observation(0.0)))
    assert str(refused.value) == (
        "100 V and 0 A, expected both above 0: check the meters' wiring"
    )


def test_nothing_is_propagated_of_nothing_or_of_two_trials():
    with pytest.raises(ValueError, match="expected at least one") as refused:
        propagate(1.0, [])
    assert str(refused.value) == "inputs [], expected at least one, all of one trial"
    two = [(1.0, observation(1.0)), (1.0, observation(1.0, trial=2))]
    with pytest.raises(ValueError, match=r"all of one trial$"):
        propagate(1.0, two)


def test_an_answer_that_the_session_does_not_have_is_told_with_those_it_has():
    with pytest.raises(ValueError, match="expected one of") as refused:
        compared(
            {FLOW: {BARE: [100.0]}, POWER: {BARE: [900.0]}}, answer="lead_resistance"
        )
    assert str(refused.value) == (
        "plan of session 1: [comparison] answer = 'lead_resistance', expected one of airflow, power"
    )


def test_a_power_of_the_supply_s_end_is_held_against_the_nameplate_with_its_lead():
    for place, told in (
        ("machine end", ()),
        (
            "supply end",
            (
                "power is measured at the supply's end: what the lead turns into heat is in it",
            ),
        ),
    ):
        power = replace(POWER, place=place)
        session = compared(
            {power: {BARE: [900.0, 901.0]}}, nameplate=Nameplate(power_w=900.0)
        )
        assert compare_nameplate(session).remarks == told


# ---- what is derived of air

ROOM = Air(temperature_c=20.0, pressure_hpa=1013.25, pressure_kind=PressureKind.STATION)
PRESSURE = channel("pressure", "Pa", "duct")
VELOCITY = channel("velocity", "m/s", "duct")
DUCT = Airflow("airflow", "Airflow", "velocity", AirMeterKind.VANE, area_m2=0.01)


def _derived(
    measured: dict[Channel, float],
    *airflows: Airflow,
    air: Air | None = ROOM,
    second_choice: tuple[str, ...] = (),
) -> tuple[list[str], tuple[str, ...]]:
    """Names of what is derived, and what is said of it."""
    quantities, _, remarks = derive_quantities(
        tuple(measured),
        Surroundings(air, airflows),
        {each.name: (observation(mean),) for each, mean in measured.items()},
        second_choice=second_choice,
    )
    return [q.name for q in quantities], remarks


def test_each_airflow_but_the_first_has_a_power_of_its_own_name():
    first = replace(DUCT, pressure_channel="pressure")
    second = replace(first, name="return", title="Return")
    names, _ = _derived({VELOCITY: 10.0, PRESSURE: 800.0}, first, second)
    assert [n for n in names if "power" in n] == ["air_power", "return_air_power"]


def test_a_tube_without_pressure_and_without_air_says_what_is_missing():
    tube = replace(
        DUCT, channel="pressure", meter=AirMeterKind.FIXED_DENSITY, pitot=Pitot()
    )
    names, remarks = _derived({PRESSURE: 0.0}, tube)
    assert names == []
    assert any(
        "a pressure difference of 0 Pa: nothing flows, or check tube and hoses" in said
        for said in remarks
    )
    names, remarks = _derived({PRESSURE: 80.0}, tube, air=None)
    assert names == []
    assert any(
        "the air's density is not known, expected a table [air] in the bench file"
        in said
        for said in remarks
    )


def test_a_velocity_without_the_duct_s_area_makes_no_flow():
    names, remarks = _derived({VELOCITY: 10.0}, replace(DUCT, area_m2=None))
    assert names == []
    assert remarks == tuple(
        f"{name} in trial 1 (short lead): area 0 m², expected above 0"
        for name in ("airflow", "airflow_standard")
    )


def test_a_plate_outside_the_standard_is_indicative_and_says_by_what():
    plate = replace(
        DUCT,
        channel="pressure",
        meter=AirMeterKind.FIXED_DENSITY,
        area_m2=None,
        orifice=Orifice(bore_mm=24.0, pipe_mm=40.0),
    )
    _, (said,) = _derived({PRESSURE: 800.0}, plate)
    begins = (
        "airflow is indicative, good for comparing but no statement of a flow, in 1 of 1 trials: outside"
        " ISO 5167-2:2003 with "
    )
    assert said.startswith(begins)
    assert "40" in said[len(begins) :]


def test_a_typed_channel_of_a_derived_one_s_name_stands_in_its_place():
    own = channel("airflow", "m3/h", "duct")
    names, remarks = _derived(
        {VELOCITY: 10.0, own: 300.0}, DUCT, second_choice=("airflow",)
    )
    assert "airflow" not in names
    assert remarks == (
        (
            "airflow is not derived: a channel that was typed or imported has its name, and stands in the table instead"
        ),
    )


@pytest.mark.parametrize(
    ("accuracy", "source"),
    [
        (Accuracy(percent_of_reading=0.5, counts=2, resolution=0.1), "v: accuracy"),
        (Accuracy(certificate_u_percent=0.4, certificate_k=2.0), "v: certificate"),
    ],
)
def test_what_two_trials_have_in_common_of_an_error_is_named_so(accuracy, source):
    contributions = contributions_of_accuracy(120.0, accuracy)
    parts = error_parts("v", 120.0, contributions, accuracy, common_share=0.5)
    assert [(p.source, p.is_common) for p in parts] == [
        (f"{source}, common", True),
        (source, False),
    ]


# ---- leads


def _one_voltmeter(*conditions: str) -> LeadReport:
    """Trials of the baseline's lead and the long one, with one voltmeter at the machine."""
    levels = {CURRENT: (0.0, 10.0), POWER_FACTOR: (0.0, 1.0)}
    runs: dict[str, TrialEdges] = {
        "short lead": edges_of(
            {MACHINE: (230.0, 225.8), **levels}, condition="short lead"
        ),
        "long lead": edges_of({MACHINE: (230.0, 219.15), **levels}, trial=2),
    }
    known = ConditionFacts("short lead", lead=LeadFacts(loop_ohm=0.05))
    return find_leads(
        [runs[name] for name in conditions], (known, LONG), baseline="short lead"
    )


def test_why_nothing_is_told_of_a_lead_stands_in_its_sentence() -> None:
    short, _ = _one_voltmeter("short lead", "long lead").findings
    assert short.sentence == (
        "short lead: cannot tell; with one voltmeter the other leads are known against this one, a second voltmeter at"
        " the supply's end tells."
    )
    short, long = _one_voltmeter("long lead").findings
    assert short.sentence == "short lead: cannot tell; no trial of it."
    assert long.sentence == (
        "long lead (1.5 mm², 25 m): cannot tell; with one voltmeter a lead is known against the baseline's, and no"
        " trial of the baseline tells of its own."
    )


def test_a_least_value_of_nothing_has_no_sign() -> None:
    short, long = _one_voltmeter("short lead", "long lead").findings
    assert short.uncertainty is None
    assert long.uncertainty is not None
    expanded = f"{long.uncertainty.expanded_uncertainty:.3f}"
    for is_least, ohm, told in (
        (False, -0.0001, f"0.000 ± {expanded} ohm"),
        (False, -0.05, f"\N{MINUS SIGN}0.050 ± {expanded} ohm"),
        (True, -0.0001, f"not told from zero (0.000 ± {expanded} ohm)"),
        (True, 0.4, f"at least 0.400 ± {expanded} ohm"),
    ):
        found = replace(long, is_least=is_least)
        assert resistance_words(found, ohm, long.uncertainty, unit="ohm") == told


def test_a_thermometer_of_no_room_is_told_with_its_trial() -> None:
    room = channel("room", "Cel", "room")
    edges = edges_of({**levels_of(6.65), room: (-200.0, -200.0)})
    assert find_leads((edges,), (LONG,), baseline="short lead").remarks == (
        (
            "trial 1 (long lead): room shows -200 °C, which is no room's temperature; it is not used for the lead's copper"
        ),
    )


def test_what_flows_and_moves_with_the_machine_off_is_named_in_the_budget() -> None:
    # Half an ampere of ten at any angle: 0.3 of its share of 6.75 V; 0.2 V of moving, rectangular about its middle.
    edges = edges_of({**levels_of(6.65), CURRENT: (0.5, 10.0)}, after={MACHINE: 230.2})
    report = find_leads((edges,), (LONG,), baseline="short lead")
    parts = {c.name: c for c in report.measurements[0].contributions}
    assert parts["standby current"].std_uncertainty == pytest.approx(
        0.3 * 0.05 * 6.75 / 10.0, rel=1e-3
    )
    moved = parts["idle difference of the voltmeters"]
    assert moved.detail == "moved meanwhile"
    assert moved.std_uncertainty == pytest.approx(0.1 / math.sqrt(3.0) / 10.0, rel=1e-3)
    like = [observation(1.0, condition="long lead")]
    _, (seen,) = observed_resistances(report.measurements, like)
    assert [e.source for e in seen.errors] == [
        "loop: standby current",
        "loop: reactance",
    ]


def test_a_lead_that_differs_from_trial_to_trial_is_told_what_could_tell() -> None:
    runs = [edges_of(levels_of(d), trial=i) for i, d in enumerate((2.0, 7.0, 12.0), 1)]
    (found,) = find_leads(runs, (LONG,), baseline="short lead").findings
    assert found.sentence.endswith(
        "most of that is the from trial to trial. What could tell: more repeats; contacts that change are a cause,"
        " or more current."
    )


def test_a_size_that_no_standard_lists_is_told_with_its_copper() -> None:
    lead = LeadFacts(area_mm2=2.0, length_m=25.0)
    facts = ConditionFacts("long lead", lead=lead)
    edges = edges_of(levels_of(6.65))
    (found,) = find_leads((edges,), (facts,), baseline="short lead").findings
    # 50 m of 1/58 ohm mm²/m.
    assert ", copper of its size has 0.431 ohm: cannot tell." in found.sentence


@pytest.mark.parametrize(
    ("lead", "source"),
    [
        (LeadFacts(loop_ohm=0.4), "what the plan enters as measured"),
        (
            LeadFacts(area_mm2=1.5, length_m=10.0, conductor="solid"),
            "IEC 60228:2004, tables 1 and 2",
        ),
        (
            LeadFacts(area_mm2=2.0, length_m=10.0, conductor="solid"),
            "IEC 60228 does not list this size",
        ),
    ],
)
def test_a_range_says_where_it_is_from(lead: LeadFacts, source: str) -> None:
    found = lead_range(lead)
    assert found is not None
    assert found.source == source


# ---- names that reports and programs keep


def test_findings_doubts_methods_and_sources_keep_their_words() -> None:
    assert [each.value for each in (*Finding, *Doubt, *Method, *SpreadSource)] == [
        "as it should be",
        "too high",
        "cannot tell",
        "size and length are not stated",
        "no standard lists the size",
        "known too badly",
        "lower than copper of this size can be",
        "a conductor one size smaller might have been missed",
        "known only against the baseline's lead",
        "two voltmeters",
        "voltage step at the machine's end",
        "this session's repeats",
        "repeats of this and of earlier sessions",
        "stated in the plan",
    ]
