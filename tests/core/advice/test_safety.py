"""Cautions from measured figures: sure, possible, none; each ending at the plug."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.advice.cautions import DEFERENCE, GENERAL_CAUTIONS
from daq.advice.findings import Hazard, Severity
from daq.advice.measured import Measured, beyond
from daq.advice.safety import safety_findings
from daq.comparison.observations import Quantity
from daq.comparison.rules import Circuit, ConditionFacts, LeadFacts, Nameplate
from daq.trials.limits import Limit
from tests.core.advice.sessions import (
    BARE,
    CURRENT,
    DROP,
    MAINS,
    VOLTS,
    compared,
)

MILLIAMPERES = Quantity("current", "Current", "current", "mA", "supply end")
FACTOR = Quantity("power_factor", "Power factor", "power factor", "1", formula="P/S")


def found(values, *, limits=(), lead=None, errors=None, **facts):
    """Findings of a session in which the condition "long" has a lead."""
    conditions = [ConditionFacts("long", ("lead",), None, lead)] if lead else []
    means = {q: {n: [m] for n, m in each.items()} for q, each in values.items()}
    session = compared(means, conditions=conditions, errors=errors, **facts)
    return safety_findings(session, limits=limits)


def hazards(findings):
    return {(f.hazard, f.severity) for f in findings.findings}


def one(findings, hazard):
    those = [f for f in findings.findings if f.hazard is hazard]
    assert len(those) == 1
    return those[0]


@pytest.mark.parametrize(
    ("current", "severity"),
    [
        (9.0, None),
        (9.9, Severity.CAUTION),
        (10.1, Severity.CAUTION),
        (10.5, Severity.WARNING),
    ],
)
def test_a_lead_is_rated_at_least_for_the_tools_own_current(current, severity):
    # Common practice, no published source. The meter may be off by 0.15 A, so 0.29 A with k = 1.96.
    lead = LeadFacts(area_mm2=1.0, length_m=40.0, rated_current_a=10.0)
    findings = found(
        {CURRENT: {BARE: 5.0, "long": current}}, lead=lead, errors={"gain": 0.15}
    )
    expected = {(Hazard.LEAD_RATING, severity)} if severity else set()
    assert hazards(findings) == expected
    assert findings.warned == ({"long"} if severity is Severity.WARNING else set())


def test_a_lead_rated_below_the_nameplate_is_a_caution_whatever_was_drawn():
    lead = LeadFacts(rated_current_a=10.0)
    findings = found(
        {CURRENT: {BARE: 5.0, "long": 5.0}},
        lead=lead,
        nameplate=Nameplate(current_a=11.5),
    )
    caution = one(findings, Hazard.LEAD_RATING)
    assert caution.severity is Severity.CAUTION
    assert "rated for 10 A, the machine for 11.5 A" in caution.text
    assert "common practice, no published source" in caution.basis


def test_a_gauge_without_a_stated_rating_is_held_against_published_figures():
    # 16 AWG: 13 A two loaded cores (NFPA 70, table 400.5(A)(1), column B), 10 A as a cord set of 100 ft: the lower.
    lead = LeadFacts(awg=16, length_m=30.48)
    findings = found({CURRENT: {BARE: 5.0, "long": 11.0}}, lead=lead)
    caution = one(findings, Hazard.LEAD_RATING)
    assert caution.severity is Severity.CAUTION
    assert caution.figures[0].limit == 10.0
    assert "reference figure" in caution.text
    assert "local code" in caution.text


@pytest.mark.parametrize(
    ("current", "told"), [(11.9, False), (12.1, True), (14.9, True)]
)
def test_a_plug_in_tool_stays_within_12_a_on_a_15_a_circuit(current, told):
    # Common practice, no published source; NFPA 70, 210.23(A)(1) where that code applies.
    findings = found(
        {CURRENT: {BARE: current}}, circuit=Circuit(rating_a=15.0), errors=None
    )
    expected = {(Hazard.CIRCUIT_SHARE, Severity.CAUTION)} if told else set()
    assert hazards(findings) == expected
    if told:
        assert findings.findings[0].figures[0].limit == pytest.approx(12.0)


def test_more_than_the_circuit_is_a_warning_and_its_share_is_not_told_besides():
    findings = found({CURRENT: {BARE: 15.5, "long": 13.0}}, circuit=Circuit(15.0, 15.0))
    assert one(findings, Hazard.CIRCUIT).conditions == (BARE,)
    assert one(findings, Hazard.CIRCUIT_SHARE).conditions == ("long",)
    assert one(findings, Hazard.PLUG_RATING).severity is Severity.WARNING
    assert findings.warned == {BARE}


def test_conditions_beyond_one_limit_stand_together_the_worst_first():
    findings = found(
        {CURRENT: {BARE: 15.5, "long": 16.0, "short": 9.0}}, circuit=Circuit(15.0)
    )
    warning = one(findings, Hazard.CIRCUIT)
    assert warning.conditions == ("long", BARE)
    assert warning.condition == "long"
    assert "“long” and 1 more condition" in warning.text


def test_a_current_in_milliamperes_at_the_supplys_end_counts_too():
    findings = found({MILLIAMPERES: {BARE: 15500.0}}, circuit=Circuit(15.0, 15.0))
    assert one(findings, Hazard.CIRCUIT).figures[0].value == pytest.approx(15.5)


@pytest.mark.parametrize(
    ("gauge", "drop_v", "told"),
    [(10, 2.5, False), (12, 3.8, True), (14, 5.5, True)],
)
def test_a_drop_beyond_three_percent_is_told(gauge, drop_v, told):
    # 100 ft of 10, 12, 14 AWG at 11.8, 11.6, 11.3 A (common practice, no published source): of 120 V 2.1, 3.2, 4.6 %.
    findings = found(
        {DROP: {BARE: 0.0, "long": drop_v}},
        lead=LeadFacts(awg=gauge, length_m=30.48),
        nameplate=Nameplate(voltage_v=120.0),
    )
    assert (Hazard.VOLTAGE_DROP in {f.hazard for f in findings.findings}) == told
    if told:
        basis = one(findings, Hazard.VOLTAGE_DROP).basis
        assert "IEC 60364-5-52" in basis
        assert "not a limit of law" in basis


def test_a_drop_whose_interval_straddles_the_recommendation_may_be_beyond_it():
    findings = found(
        {DROP: {BARE: 0.0, "long": 7.2}},
        nameplate=Nameplate(voltage_v=230.0),
        errors={"offset": 0.5},
    )
    caution = one(findings, Hazard.VOLTAGE_DROP)
    assert "which may be more than the recommended 3 %" in caution.text


def test_one_voltmeter_tells_what_a_lead_takes_more_than_the_baselines():
    findings = found(
        {VOLTS: {BARE: 229.0, "long": 219.0}}, lead=LeadFacts(length_m=40.0)
    )
    # 10 V of 229 V are 4.37 %, by hand; without a nameplate of what the baseline had.
    caution = one(findings, Hazard.VOLTAGE_DROP)
    assert "more than the baseline's lead" in caution.text
    assert caution.figures[0].limit == pytest.approx(0.03 * 229.0)


def test_a_condition_that_changes_more_than_the_lead_tells_no_drop():
    session = compared(
        {VOLTS: {BARE: [229.0], "long": [219.0]}},
        conditions=[ConditionFacts("long", ("lead", "supply voltage"))],
    )
    assert safety_findings(session).findings == ()


@pytest.mark.parametrize(("volts", "told"), [(208.0, False), (206.0, True)])
def test_a_motor_ten_percent_below_its_nameplate_is_a_caution(volts, told):
    # NEMA MG 1-2011, 12.44.1 (as a reprint gives it): 10 % of the rated 230 V leave 207 V.
    findings = found(
        {VOLTS: {BARE: 230.0, "long": volts}}, nameplate=Nameplate(voltage_v=230.0)
    )
    assert (Hazard.LOW_VOLTAGE in {f.hazard for f in findings.findings}) == told


def test_the_plans_own_least_voltage_takes_the_place_of_ten_percent():
    limit = Limit("volts", None, 215.0, 5.0, "least voltage of the machine")
    findings = found(
        {VOLTS: {BARE: 230.0, "long": 214.0}},
        limits=[limit],
        nameplate=Nameplate(voltage_v=230.0),
    )
    warning = one(findings, Hazard.LOW_VOLTAGE)
    assert warning.severity is Severity.WARNING
    assert "the plan's 215 V" in warning.text
    assert "least voltage of the machine" in warning.basis


def test_any_limit_of_the_plan_is_held_against_the_averages():
    limits = [
        Limit("current", 6.0, 1.0, 5.0, "rating of the fan"),
        Limit("mains", None, 225.0, 5.0, "the generator's least"),
    ]
    findings = found({CURRENT: {BARE: 6.5}, MAINS: {BARE: 220.0}}, limits=limits)
    texts = [f.text for f in findings.findings if f.hazard is Hazard.PLAN_LIMIT]
    assert len(texts) == 2
    assert "at most 6 A" in texts[0]
    assert "at least 225 V" in texts[1]


def test_a_coiled_lead_is_told_whatever_was_measured():
    findings = found(
        {CURRENT: {BARE: 5.0, "long": 5.0}}, lead=LeadFacts(is_coiled=True)
    )
    caution = one(findings, Hazard.HEAT)
    assert caution.severity is Severity.CAUTION
    assert "unroll it fully" in caution.text
    assert caution.conditions == ("long",)


def test_a_coiled_lead_that_turns_much_into_heat_is_a_warning():
    # 12 A through 100 ft of 16 AWG: 9.637 V, 115.65 W, 3.79 W/m (by hand from 0.80312 ohm).
    values = {CURRENT: {BARE: 12.0, "long": 12.0}, DROP: {BARE: 0.0, "long": 9.637}}
    lead = LeadFacts(awg=16, length_m=30.48, rated_current_a=13.0, is_coiled=True)
    findings = found(values, lead=lead, nameplate=Nameplate(voltage_v=230.0))
    warning = one(findings, Hazard.HEAT)
    assert warning.severity is Severity.WARNING
    assert warning.figures[0].value == pytest.approx(3.79, abs=0.01)


def test_a_warm_lead_that_is_laid_out_must_stay_so():
    values = {CURRENT: {BARE: 12.0, "long": 12.0}, DROP: {BARE: 0.0, "long": 9.637}}
    lead = LeadFacts(length_m=30.48, rated_current_a=13.0)
    findings = found(values, lead=lead, nameplate=Nameplate(voltage_v=230.0))
    caution = one(findings, Hazard.HEAT)
    assert caution.severity is Severity.CAUTION
    assert "Keep them unrolled" in caution.text


def test_the_power_factor_is_taken_into_the_heat():
    values = {
        CURRENT: {"long": 10.0, BARE: 10.0},
        DROP: {"long": 8.0, BARE: 0.0},
        FACTOR: {"long": 0.8, BARE: 0.8},
    }
    lead = LeadFacts(length_m=20.0, rated_current_a=16.0)
    findings = found(values, lead=lead, nameplate=Nameplate(voltage_v=230.0))
    # By hand: 10 A times 8 V over 0.8 and 20 m.
    assert one(findings, Hazard.HEAT).figures[0].value == pytest.approx(5.0)


def test_warnings_come_before_cautions():
    findings = found(
        {CURRENT: {BARE: 13.0, "long": 15.5}, VOLTS: {BARE: 200.0, "long": 190.0}},
        circuit=Circuit(15.0),
        nameplate=Nameplate(voltage_v=230.0),
    )
    severities = [f.severity for f in findings.findings]
    assert severities == sorted(severities, key=lambda s: s is Severity.CAUTION)
    assert len(set(severities)) == 2


def test_every_finding_ends_at_the_plug():
    lead = LeadFacts(area_mm2=1.0, length_m=40.0, rated_current_a=10.0, is_coiled=True)
    for current in (9.99, 15.5):
        findings = found(
            {
                CURRENT: {BARE: current, "long": current},
                VOLTS: {BARE: 230.0, "long": 200.0},
                DROP: {BARE: 0.0, "long": 12.0},
            },
            lead=lead,
            circuit=Circuit(15.0, 15.0),
            nameplate=Nameplate(voltage_v=230.0, current_a=10.5),
            limits=[Limit("current", 9.0, None, 5.0, "the fan's rating")],
        )
        assert len(findings.findings) >= 5
        for finding in findings.findings:
            assert "at the plug" in finding.text
            assert finding.basis


def test_what_could_not_be_checked_is_said():
    lead = LeadFacts(area_mm2=1.0, length_m=40.0)
    limit = Limit("mains", 250.0, None, 5.0, "the supply")
    findings = found({DROP: {"long": 1.0}}, lead=lead, limits=[limit])
    said = " ".join(findings.unchecked)
    for part in (
        "no current",
        "no rating is stated for the lead of “long”",
        "no voltage",
        "mains has no average",
    ):
        assert part in said


def test_a_session_of_nothing_finds_nothing_and_says_what_it_lacks():
    findings = safety_findings(compared({}))
    assert findings.findings == ()
    assert findings.unchecked


def test_the_general_cautions_defer_to_whoever_is_qualified():
    assert "licensed" in GENERAL_CAUTIONS[0]
    assert any("at the plug" in each for each in GENERAL_CAUTIONS)
    assert "local electrical code" in DEFERENCE


@given(st.floats(0, 100), st.floats(0, 10), st.floats(0, 100), st.booleans())
def test_a_figure_is_beyond_possibly_beyond_or_neither(
    value, expanded, limit, is_least
):
    found_ = list(
        beyond([Measured("x", value, expanded, "A")], limit, is_least=is_least)
    )
    margin = limit - value if is_least else value - limit
    if margin > expanded:
        assert [sure for sure, _ in found_] == [True]
    elif margin > -expanded:
        assert [sure for sure, _ in found_] == [False]
    else:
        assert found_ == []
