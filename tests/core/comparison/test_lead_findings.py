"""Leads: what a session's loops say of each condition's lead, and of its jacket."""

from dataclasses import replace

import pytest

from daq.comparison.lead_decisions import Doubt, Finding
from daq.comparison.lead_findings import find_leads, observed_resistances
from daq.comparison.lead_measuring import Method
from daq.comparison.lead_readings import TrialEdges
from daq.comparison.lead_report import LeadFinding, LeadReport
from daq.comparison.rules import ConditionFacts, LeadFacts
from daq.records import Accuracy
from tests.core.comparison.lead_runs import (
    CURRENT,
    LEAD,
    LONG,
    MACHINE,
    POWER_FACTOR,
    SUPPLY,
    Levels,
    edges_of,
    levels_of,
)
from tests.core.comparison.observed import channel, observation


def _of_lead(report: LeadReport, condition: str = "long lead") -> LeadFinding:
    return next(f for f in report.findings if f.condition == condition)


def _found(*trials: TrialEdges, lead: LeadFacts = LEAD) -> LeadFinding:
    conditions = (ConditionFacts("long lead", lead=lead),)
    return _of_lead(find_leads(trials, conditions, baseline="short lead"))


def test_where_nobody_measures_a_power_factor_one_is_assumed_and_said() -> None:
    levels = dict(levels_of(6.65))
    del levels[POWER_FACTOR]
    report = find_leads((edges_of(levels),), (LONG,), baseline="short lead")
    assert report.measurements[0].power_factor_is_assumed
    assert any("Power factor 0.9" in text for text in report.assumptions)


def test_copper_is_taken_to_twenty_degrees() -> None:
    # IEC 60228: 254.5/(234.5 + t); 20 °C of the room (assumed) and 10 K of warming make 0.9622.
    found = _found(edges_of(levels_of(6.65)))
    assert found.resistance_ohm == pytest.approx(0.665 * 254.5 / 264.5, rel=1e-3)
    warmth = next(c for c in found.contributions if c.name == "copper's temperature")
    assert found.resistance_ohm is not None
    # 5 K of the room and 20 K/sqrt(12) of warming: 7.64 K, each 1/264.5.
    assert warmth.std_uncertainty == pytest.approx(
        found.resistance_ohm * 7.64 / 264.5, rel=1e-3
    )


def test_a_thermometer_in_the_room_takes_the_place_of_an_assumption() -> None:
    room = channel("room", "Cel", "room")
    levels = {**levels_of(6.65), room: (30.0, 30.0)}
    report = find_leads((edges_of(levels),), (LONG,), baseline="short lead")
    assert report.copper.value == pytest.approx(40.0)
    # 1 K for a thermometer that is not at the lead, and 20 K/sqrt(12) of warming.
    assert report.copper.std_uncertainty == pytest.approx((1.0 + 20.0**2 / 12.0) ** 0.5)
    assert report.remarks == ()


@pytest.mark.parametrize("shown_c", [-200.0, 850.0])
def test_a_thermometer_that_is_open_is_said_and_not_believed(shown_c: float) -> None:
    room = channel("room", "Cel", "room")
    levels = {**levels_of(6.65), room: (shown_c, shown_c)}
    report = find_leads((edges_of(levels),), (LONG,), baseline="short lead")
    # 20 °C are assumed instead, and 10 K of warming.
    assert report.copper.value == pytest.approx(30.0)
    assert _of_lead(report).resistance_ohm == pytest.approx(0.640, abs=1e-3)
    (said,) = report.remarks
    assert said.startswith(f"trial 1 (long lead): room shows {shown_c:.0f} °C")


@pytest.mark.parametrize(
    ("drop_v", "finding"),
    [
        # 1.5 mm² of nominal copper, 0.575 ohm at 20 °C; at 30 °C 5.97 V.
        (5.97, Finding.AS_IT_SHOULD_BE),
        # 1.0 mm² by the standard's maximum, 0.975 ohm at 20 °C; at 30 °C 10.1 V.
        (10.13, Finding.TOO_HIGH),
        # 2.5 mm² in its place: less than copper of 1.5 mm² can have.
        (3.6, Finding.CANNOT_TELL),
    ],
)
def test_the_jacket_is_held_against_the_standard(
    drop_v: float, finding: Finding
) -> None:
    found = _found(edges_of(levels_of(drop_v)))
    assert found.finding is finding
    assert finding.value in found.sentence


def test_too_high_names_contacts_and_what_to_do() -> None:
    found = _found(edges_of(levels_of(10.13)))
    assert "contact" in found.sentence
    assert "Unplug it" in found.sentence
    assert "IEC 60228" in found.sentence


def test_what_is_known_badly_cannot_be_told_and_names_what_could() -> None:
    coarse = Accuracy(percent_of_reading=0.5, counts=2, resolution=1.0)
    levels: Levels = {
        replace(SUPPLY, accuracy=coarse): (230.0, 229.0),
        replace(MACHINE, accuracy=coarse): (230.0, 227.0),
        CURRENT: (0.0, 10.0),
        POWER_FACTOR: (0.0, 1.0),
    }
    found = _found(edges_of(levels))
    assert found.finding is Finding.CANNOT_TELL
    assert found.doubt is Doubt.TOO_UNCERTAIN
    assert "voltmeters with a finer display" in found.sentence


def test_a_voltage_at_the_supply_s_end_alone_says_nothing_of_the_lead() -> None:
    levels = dict(levels_of(6.65))
    del levels[MACHINE]
    found = _found(edges_of(levels))
    assert found.finding is Finding.CANNOT_TELL
    assert "says nothing of the lead" in found.sentence
    assert "machine end" in found.sentence


def test_without_a_current_nothing_can_be_told() -> None:
    levels = dict(levels_of(6.65))
    del levels[CURRENT]
    assert "without a current channel" in _found(edges_of(levels)).sentence


def test_a_condition_without_a_trial_says_so() -> None:
    assert "no trial of it" in _found().sentence


def _one_voltmeter(lead: LeadFacts | None) -> LeadReport:
    """10 A: 4.2 V before the baseline's end, 10.85 V with the long lead: 6.65 V, 0.665 ohm more."""
    short: Levels = {
        MACHINE: (230.0, 225.8),
        CURRENT: (0.0, 10.0),
        POWER_FACTOR: (0.0, 1.0),
    }
    long: Levels = {**short, MACHINE: (230.0, 219.15)}
    return find_leads(
        (edges_of(short, condition="short lead"), edges_of(long, trial=2)),
        (ConditionFacts("short lead", lead=lead), LONG),
        baseline="short lead",
    )


def test_one_voltmeter_tells_a_lead_against_the_baseline_s() -> None:
    found = _of_lead(_one_voltmeter(LeadFacts(loop_ohm=0.05)))
    assert found.method is Method.STEP
    assert not found.is_least
    # The difference at 30 °C, taken to 20 °C, and what the plan enters of the baseline's at 20 °C.
    assert found.resistance_ohm == pytest.approx(0.665 * 254.5 / 264.5 + 0.05, abs=1e-3)


def test_the_baseline_s_size_and_length_do_as_well_with_their_range() -> None:
    # 5 m of 2.5 mm²: 0.0690 ohm of copper to 0.0798 by the standard and 0.02 of contacts.
    found = _of_lead(_one_voltmeter(LeadFacts(area_mm2=2.5, length_m=5.0)))
    own = next(c for c in found.contributions if c.name == "baseline's lead")
    assert own.std_uncertainty == pytest.approx((0.0998 - 0.0690) / 12**0.5, rel=1e-2)


def test_with_nothing_known_of_the_baseline_s_lead_the_result_is_a_least_value() -> (
    None
):
    found = _of_lead(_one_voltmeter(None))
    assert found.is_least
    assert found.doubt is Doubt.RELATIVE
    assert "at least 0.640" in found.sentence


def test_the_baseline_itself_cannot_be_told_with_one_voltmeter() -> None:
    found = _of_lead(_one_voltmeter(LeadFacts(loop_ohm=0.05)), "short lead")
    assert found.finding is Finding.CANNOT_TELL
    assert "one voltmeter" in found.sentence


def test_repeats_average_and_what_they_share_does_not_shrink() -> None:
    first = edges_of(levels_of(6.55))
    second = edges_of(levels_of(6.75), trial=2)
    alone, both = _found(first), _found(first, second)
    assert both.trials == (1, 2)
    assert both.resistance_ohm == pytest.approx(0.665 * 254.5 / 264.5, rel=1e-3)
    warmth = [
        next(c for c in f.contributions if c.name == "copper's temperature")
        for f in (alone, both)
    ]
    assert warmth[1].std_uncertainty >= warmth[0].std_uncertainty


def test_repeats_that_spread_widen_the_result() -> None:
    # Drops of 6, 7 and 8 V: 0.1 ohm of standard deviation, over sqrt(3).
    runs = [edges_of(levels_of(d), trial=i) for i, d in enumerate((6.0, 7.0, 8.0), 1)]
    found = _found(*runs)
    spread = next(c for c in found.contributions if c.name == "from trial to trial")
    assert spread.std_uncertainty == pytest.approx(0.1 / 3**0.5 * 0.962, rel=1e-2)
    assert spread.degrees_of_freedom == 2


def test_loops_can_be_compared_like_any_quantity() -> None:
    report = find_leads((edges_of(levels_of(6.65)),), (LONG,), baseline="short lead")
    quantity, observations = observed_resistances(
        report.measurements, [observation(1.0, condition="long lead")]
    )
    assert quantity.name == "lead_resistance"
    assert quantity.unit == "ohm"
    assert [o.mean for o in observations] == pytest.approx([0.665], abs=2e-4)


def test_a_loop_by_the_step_is_not_compared_with_those_of_two_voltmeters() -> None:
    step = dict(levels_of(6.65))
    del step[SUPPLY]
    runs = (edges_of(levels_of(6.65)), edges_of(step, trial=2))
    report = find_leads(runs, (LONG,), baseline="short lead")
    assert [m.method for m in report.measurements] == [
        Method.TWO_VOLTMETERS,
        Method.STEP,
    ]
    like = [observation(1.0, trial=n, condition="long lead") for n in (1, 2)]
    _, observations = observed_resistances(report.measurements, like)
    assert [o.trial for o in observations] == [1]
    assert _of_lead(report).trials == (1,)


def test_what_the_plan_does_not_state_is_asked_for() -> None:
    found = _found(edges_of(levels_of(6.65)), lead=LeadFacts(length_m=25.0))
    assert found.doubt is Doubt.NOTHING_STATED
    assert "0.640" in found.sentence
    assert "State its size and length" in found.sentence


def test_a_size_without_a_maximum_is_shown_with_what_its_copper_has() -> None:
    # 2 mm²: 50 m of 1/58 ohm mm²/m (IEC 60028).
    lead = LeadFacts(area_mm2=2.0, length_m=25.0)
    found = _found(edges_of(levels_of(6.65)), lead=lead)
    assert found.doubt is Doubt.NOT_LISTED
    assert "copper of its size has 0.431 ohm" in found.sentence


def test_a_trial_that_tells_nothing_says_why_in_the_lead_s_sentence() -> None:
    found = _found(edges_of({**levels_of(6.65), CURRENT: (0.0, 0.0)}))
    assert (found.resistance_ohm, found.trials) == (None, ())
    assert "no current before switch-off" in found.sentence
