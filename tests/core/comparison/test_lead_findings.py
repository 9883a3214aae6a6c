"""Leads: loop resistance from the readings about switching, and what it says of the jacket."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from daq.comparison.lead_decisions import Doubt, Finding
from daq.comparison.lead_findings import find_leads, observed_resistances
from daq.comparison.lead_measuring import Method, measure_loop
from daq.comparison.lead_readings import Stretch, TrialEdges
from daq.comparison.lead_report import LeadFinding, LeadReport
from daq.comparison.rules import ConditionFacts, LeadFacts
from daq.records import Accuracy, Channel
from tests.core.comparison.observed import channel, observation
from tests.core.comparison.simulated_leads import (
    MOST_OHM_PER_KM,
    SMALLER,
    Circumstances,
    session,
)

SUPPLY = channel("supply_voltage", "V", "supply end")
MACHINE = channel("machine_voltage", "V")
CURRENT = channel("current", "A")
POWER_FACTOR = channel("power_factor", "1")
# IEC 60228 allows 13.3 ohm/km for 1.5 mm²: 0.665 ohm in the loop of 25 m.
LEAD = LeadFacts(area_mm2=1.5, length_m=25.0)
LONG = ConditionFacts("long lead", ("lead",), None, LEAD)
ON_S, OFF_S = 1000.0, 1240.0
Levels = Mapping[Channel, tuple[float, float]]
"""What each channel shows with the machine off, and on."""


def _edges(
    levels: Levels,
    *,
    trial: int = 1,
    condition: str = "long lead",
    idle_s: float = 40.0,
    after: Mapping[Channel, float] | None = None,
    after_s: float = 28.0,
) -> TrialEdges:
    """A run whose meters stand still but for a flicker of a hundredth, so that the arithmetic can be followed by hand."""
    times = [ON_S - idle_s + i for i in range(round(idle_s + 30.0))]
    times += [OFF_S - 60.0 + i for i in range(round(60.0 + after_s))]
    readings = {}
    for each, (off, on) in levels.items():
        values = []
        for i, t in enumerate(times):
            level = on if ON_S <= t < OFF_S else off
            if t >= OFF_S and after and each in after:
                level = after[each]
            flicker = 0.01 if i % 2 else -0.01
            is_voltage = each.quantity == "voltage" and level > 0.0
            values.append(level + (flicker if is_voltage else 0.0))
        readings[each.name] = Stretch(tuple(times), tuple(values))
    return TrialEdges(trial, condition, ON_S, OFF_S, tuple(levels), readings)


def _of_lead(report: LeadReport, condition: str = "long lead") -> LeadFinding:
    return next(f for f in report.findings if f.condition == condition)


def _found(*trials: TrialEdges, lead: LeadFacts = LEAD) -> LeadFinding:
    conditions = (ConditionFacts("long lead", lead=lead),)
    return _of_lead(find_leads(trials, conditions, baseline="short lead"))


def _levels(drop_v: float, *, offset_v: float = 0.0) -> Levels:
    """10 A at a power factor of 1 from 230 V; the machine's voltmeter shows `offset_v` too much."""
    return {
        SUPPLY: (230.0, 229.0),
        MACHINE: (230.0 + offset_v, 229.0 - drop_v + offset_v),
        CURRENT: (0.0, 10.0),
        POWER_FACTOR: (0.0, 1.0),
    }


def test_the_loop_is_drop_over_current_with_the_idle_difference_taken_off() -> None:
    # 6.65 V over 10 A at a power factor of 1: 0.665 ohm, whatever the two voltmeters differ by.
    for offset_v in (0.0, 0.8, -1.2):
        loop = measure_loop(_edges(_levels(6.65, offset_v=offset_v)), LEAD)
        assert loop.measurement is not None
        assert loop.measurement.method is Method.TWO_VOLTMETERS
        # The reactance of 25 m adds 4 milliohms across, nothing along.
        assert loop.measurement.resistance_ohm == pytest.approx(0.665, abs=2e-4)


def test_a_power_factor_below_one_makes_more_ohms_of_the_same_drop() -> None:
    # reference: 3.667 V at 12 A, power factor 0.95, come from 0.3177 ohm (0.0108 of reactance), not from 0.3056.
    levels = {
        SUPPLY: (120.0, 120.0),
        MACHINE: (120.0, 120.0 - 3.667),
        CURRENT: (0.0, 12.0),
        POWER_FACTOR: (0.0, 0.95),
    }
    # 0.0108 ohm are both cores of 67.5 m at 0.08 milliohm a metre.
    loop = measure_loop(_edges(levels), LeadFacts(area_mm2=4.0, length_m=67.5))
    assert loop.measurement is not None
    assert loop.measurement.resistance_ohm == pytest.approx(0.3177, rel=5e-3)


def test_a_power_meter_at_the_machine_s_end_gives_the_power_factor() -> None:
    power = channel("power", "W")
    levels = {**_levels(6.65), power: (0.0, 0.9 * 10.0 * (229.0 - 6.65))}
    del levels[POWER_FACTOR]
    loop = measure_loop(_edges(levels), LEAD)
    assert loop.measurement is not None
    assert loop.measurement.power_factor == pytest.approx(0.9, rel=1e-3)
    assert not loop.measurement.power_factor_is_assumed


def test_a_power_meter_at_the_supply_s_end_has_the_lead_s_loss_taken_off() -> None:
    power = channel("power", "W", "supply end")
    # 0.9 at the machine, and 66.5 W lost in the lead.
    levels = {**_levels(6.65), power: (0.0, 0.9 * 10.0 * (229.0 - 6.65) + 66.5)}
    del levels[POWER_FACTOR]
    loop = measure_loop(_edges(levels), LEAD)
    assert loop.measurement is not None
    assert loop.measurement.power_factor == pytest.approx(0.9, rel=1e-3)


def test_where_nobody_measures_a_power_factor_one_is_assumed_and_said() -> None:
    levels = dict(_levels(6.65))
    del levels[POWER_FACTOR]
    report = find_leads((_edges(levels),), (LONG,), baseline="short lead")
    assert report.measurements[0].power_factor_is_assumed
    assert any("Power factor 0.9" in text for text in report.assumptions)


def test_copper_is_taken_to_twenty_degrees() -> None:
    # IEC 60228: 254.5/(234.5 + t); 20 °C of the room (assumed) and 10 K of warming make 0.9622.
    found = _found(_edges(_levels(6.65)))
    assert found.resistance_ohm == pytest.approx(0.665 * 254.5 / 264.5, rel=1e-3)
    warmth = next(c for c in found.contributions if c.name == "copper's temperature")
    # 5 K of the room and 20 K/sqrt(12) of warming: 7.64 K, each 1/264.5.
    assert warmth.std_uncertainty == pytest.approx(
        found.resistance_ohm * 7.64 / 264.5, rel=1e-3
    )


def test_a_thermometer_in_the_room_takes_the_place_of_an_assumption() -> None:
    room = channel("room", "Cel", "room")
    levels = {**_levels(6.65), room: (30.0, 30.0)}
    report = find_leads((_edges(levels),), (LONG,), baseline="short lead")
    assert report.copper.value == pytest.approx(40.0)


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
    found = _found(_edges(_levels(drop_v)))
    assert found.finding is finding
    assert finding.value in found.sentence


def test_too_high_names_contacts_and_what_to_do() -> None:
    found = _found(_edges(_levels(10.13)))
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
    found = _found(_edges(levels))
    assert found.finding is Finding.CANNOT_TELL
    assert found.doubt is Doubt.TOO_UNCERTAIN
    assert "voltmeters with a finer display" in found.sentence


def test_without_idle_readings_the_whole_accuracy_counts_and_it_is_said() -> None:
    meter = Accuracy(percent_of_reading=0.5)
    levels: Levels = {
        replace(SUPPLY, accuracy=meter): (230.0, 229.0),
        replace(MACHINE, accuracy=meter): (230.0, 222.35),
        CURRENT: (0.0, 10.0),
        POWER_FACTOR: (0.0, 1.0),
    }
    known = measure_loop(_edges(levels), LEAD).measurement
    unknown = measure_loop(_edges(levels, idle_s=3.0, after_s=3.0), LEAD)
    assert known is not None
    assert unknown.measurement is not None
    # 0.5 % of 229 V and of 222.35 V over sqrt(3), in squares: 0.921 V, over 10 A.
    limits = {c.name: c.std_uncertainty for c in unknown.measurement.contributions}
    assert limits["accuracy of the voltmeters"] == pytest.approx(0.0921, rel=2e-3)
    assert "before switching on" in unknown.remarks[0]
    # With it, gains act on the changes alone, 1 V and 7.65 V: 0.0223 V.
    gains = {c.name: c.std_uncertainty for c in known.contributions}
    assert gains["gain of the voltmeters"] == pytest.approx(0.00223, rel=2e-2)


def test_an_idle_difference_that_moved_is_said_and_carried() -> None:
    moved = measure_loop(_edges(_levels(6.65), after={MACHINE: 230.2}), LEAD)
    assert moved.measurement is not None
    # It is taken half-way: 0.1 V less idle difference, 10 milliohms more.
    assert moved.measurement.resistance_ohm == pytest.approx(0.675, abs=3e-4)
    assert "moved from" in moved.remarks[0]
    # 0.2 V apart: 0.1/sqrt(3) V, over 10 A.
    parts = [c for c in moved.measurement.contributions if c.detail]
    assert parts[0].std_uncertainty == pytest.approx(0.00577, rel=2e-2)


def test_a_voltmeter_that_was_unplugged_before_the_run_tells_nothing_of_its_zero() -> (
    None
):
    edges = _edges(_levels(6.65))
    shown = edges.readings[MACHINE.name]
    values = tuple(
        0.0 if t < ON_S - 15.0 else v
        for t, v in zip(shown.times_s, shown.values, strict=True)
    )
    changed = Stretch(shown.times_s, values)
    loop = measure_loop(
        replace(edges, readings={**edges.readings, MACHINE.name: changed}), LEAD
    )
    assert loop.measurement is not None
    assert loop.measurement.resistance_ohm == pytest.approx(0.665, abs=2e-4)
    assert loop.remarks == ()


def test_a_standby_current_belongs_to_the_idle_reading() -> None:
    # 0.5 A flow with the machine off: of 0.665 ohm 0.3325 V are in the idle difference already.
    levels: Levels = {
        SUPPLY: (230.0, 229.0),
        MACHINE: (230.0 - 0.3325, 229.0 - 6.65),
        CURRENT: (0.5, 10.0),
        POWER_FACTOR: (1.0, 1.0),
    }
    loop = measure_loop(_edges(levels), LEAD).measurement
    assert loop is not None
    assert loop.resistance_ohm == pytest.approx(0.665, abs=3e-4)


def test_a_voltage_at_the_supply_s_end_alone_says_nothing_of_the_lead() -> None:
    levels = dict(_levels(6.65))
    del levels[MACHINE]
    found = _found(_edges(levels))
    assert found.finding is Finding.CANNOT_TELL
    assert "says nothing of the lead" in found.sentence
    assert "machine end" in found.sentence


def test_without_a_current_nothing_can_be_told() -> None:
    levels = dict(_levels(6.65))
    del levels[CURRENT]
    assert "without a current channel" in _found(_edges(levels)).sentence


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
        (_edges(short, condition="short lead"), _edges(long, trial=2)),
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


def test_the_inrush_is_in_no_step() -> None:
    edges = _edges(
        {MACHINE: (230.0, 219.15), CURRENT: (0.0, 10.0), POWER_FACTOR: (0.0, 1.0)}
    )
    readings = dict(edges.readings)
    for each, inrush in ((MACHINE, 190.0), (CURRENT, 45.0)):
        shown = edges.readings[each.name]
        values = tuple(
            inrush if ON_S <= t < ON_S + 3.0 else v
            for t, v in zip(shown.times_s, shown.values, strict=True)
        )
        readings[each.name] = Stretch(shown.times_s, values)
    loop = measure_loop(replace(edges, readings=readings), LEAD).measurement
    assert loop is not None
    assert loop.drop_v == pytest.approx(10.85, abs=0.01)


def test_repeats_average_and_what_they_share_does_not_shrink() -> None:
    first = _edges(_levels(6.55))
    second = _edges(_levels(6.75), trial=2)
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
    runs = [_edges(_levels(d), trial=i) for i, d in enumerate((6.0, 7.0, 8.0), 1)]
    found = _found(*runs)
    spread = next(c for c in found.contributions if c.name == "from trial to trial")
    assert spread.std_uncertainty == pytest.approx(0.1 / 3**0.5 * 0.962, rel=1e-2)
    assert spread.degrees_of_freedom == 2


def test_loops_can_be_compared_like_any_quantity() -> None:
    report = find_leads((_edges(_levels(6.65)),), (LONG,), baseline="short lead")
    quantity, observations = observed_resistances(
        report.measurements, [observation(1.0, condition="long lead")]
    )
    assert quantity.name == "lead_resistance"
    assert quantity.unit == "ohm"
    assert [o.mean for o in observations] == pytest.approx([0.665], abs=2e-4)


@pytest.mark.slow
def test_thin_conductors_are_found_and_right_ones_are_not_accused() -> None:
    """A small share of tests/benchmarks/leads.py, where 2000 sessions are carried out."""
    random = np.random.default_rng(4)
    thin, right = [], []
    for number in range(120):
        jacket = (1.0, 1.5, 2.5, 4.0)[number % 4]
        how = Circumstances(
            current_a=random.uniform(4.0, 12.0),
            warming_k=random.uniform(0.0, 20.0),
            has_supply_meter=number % 3 > 0,
        )
        length_m = random.uniform(15.0, 40.0)
        for real, outcomes in ((SMALLER[jacket], thin), (jacket, right)):
            # The least copper that is allowed for a right one, the most for a thin one: the hardest of each.
            per_km = MOST_OHM_PER_KM[real] if real == jacket else 17.241 / real
            loop = 2.0 * length_m * per_km / 1000.0 + random.uniform(0.0, 0.02)
            lead = LeadFacts(area_mm2=jacket, length_m=length_m)
            outcomes.append(_of_lead(session(lead, loop, how, random)))
    assert all(f.finding is not Finding.AS_IT_SHOULD_BE for f in thin)
    found = [f for f in thin if f.finding is Finding.TOO_HIGH]
    assert len(found) >= 0.7 * len(thin)
    accused = [f for f in right if f.finding is Finding.TOO_HIGH]
    assert len(accused) <= 0.02 * len(right)
