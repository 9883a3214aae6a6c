"""What a session must have, and what is said where it has not."""

from dataclasses import replace

import pytest

from daq.comparison.rules import LeadFacts
from daq.physics.conductors import jacket_of_area, jacket_of_gauge
from daq.prediction.lead import lead_of
from daq.prediction.machine import CURRENT, POWER, machine_of
from daq.prediction.selection import TooLittleMeasuredError
from daq.prediction.supply import lead_as_stated
from tests.core.prediction.exact import (
    ALL,
    FLOW,
    MACHINE,
    SUPPLY,
    VOLTS,
    Law,
    exact_session,
    law,
)
from tests.core.prediction.exact import CURRENT as AMPERES
from tests.core.prediction.exact import POWER as WATTS


def test_four_different_voltages_are_enough() -> None:
    machine = machine_of(exact_session(law(0.6)))
    assert machine.range_v == (217.0, 230.0)
    assert set(machine.curves) == {CURRENT, POWER, "flow"}
    assert machine.remarks == ()


def test_a_log_of_volts_amperes_and_watts_does_not_replace_the_bench_s_own_meters() -> (
    None
):
    logged = {
        each.name: replace(each, name=f"log_{each.name}", instrument="log")
        for each in (MACHINE, AMPERES, WATTS)
    }
    own = [replace(each, instrument=each.name) for each in (SUPPLY, MACHINE, AMPERES)]

    def told(voltage_v: float) -> dict[str, float]:
        true = law(0.6)(voltage_v)
        return {**true, **{f"log_{name}": 0.9 * true[name] for name in logged}}

    session = exact_session(told, quantities=[*logged.values(), *own])
    imported = frozenset(each.name for each in logged.values())
    machine = machine_of(replace(session, second_choice=imported))
    assert machine.curves[CURRENT].quantity.name == "amperes"
    assert machine.curves[POWER].quantity.name == "log_watts"
    assert machine.range_v == (217.0, 230.0)


def test_three_voltages_are_too_few_and_it_says_what_would_help() -> None:
    volts = {"a": 230.0, "b": 226.0, "c": 222.0}
    with pytest.raises(TooLittleMeasuredError) as raised:
        machine_of(exact_session(law(0.6), volts=volts))
    text = str(raised.value)
    assert "3 distinct voltages at the machine, expected at least 4" in text
    assert "a 230.0 ± 0.0 V" in text
    assert "carry out 1 more condition that change" in text


def test_voltages_within_their_uncertainty_are_one() -> None:
    # 0.1 % within a trial: 0.23 V each, 0.64 V (95 %) for a difference; b and c are 0.4 V apart.
    volts = {"a": 230.0, "b": 226.0, "c": 225.6, "d": 217.0}
    with pytest.raises(TooLittleMeasuredError, match="3 distinct voltages"):
        machine_of(exact_session(law(0.6), volts=volts, within=1e-3))


def test_an_error_that_all_share_leaves_voltages_distinct() -> None:
    machine_of(exact_session(law(0.6), gains={"at_machine": 0.02}))


def test_a_filter_or_a_hose_is_left_out() -> None:
    volts = {**VOLTS, "dirty filter": 233.0}
    changes = {"dirty filter": ("filter",)}
    machine = machine_of(exact_session(law(0.6), volts=volts, changes=changes))
    assert set(machine.voltages) == set(VOLTS)
    assert "dirty filter" in machine.remarks[0]


def test_a_condition_that_changes_the_lead_and_the_hose_is_left_out_too() -> None:
    with pytest.raises(TooLittleMeasuredError, match="more than the voltage"):
        machine_of(exact_session(law(0.6), changes={"d": ("lead", "hose")}))


def test_a_condition_of_which_the_plan_says_nothing_counts_and_is_named() -> None:
    machine = machine_of(exact_session(law(0.6), changes={"b": ()}))
    assert "b" in machine.voltages
    assert "does not say what they change: b" in machine.remarks[0]


@pytest.mark.parametrize(
    ("missing", "said"),
    [(MACHINE, "no voltage at the machine"), (AMPERES, "no current was averaged")],
)
def test_a_missing_channel_is_named(missing: object, said: str) -> None:
    quantities = [q for q in ALL if q is not missing]
    with pytest.raises(TooLittleMeasuredError, match=said):
        machine_of(exact_session(law(0.6), quantities=quantities))


def test_without_a_supply_nothing_is_known_to_feed_a_lead() -> None:
    session = exact_session(law(0.6), quantities=[MACHINE, AMPERES, FLOW])
    with pytest.raises(TooLittleMeasuredError, match="what leads are fed from"):
        machine_of(session)
    assert machine_of(session, supply_v=231.0).supply.voltage(5.0) == 231.0


def test_an_airflow_of_zero_is_left_out_and_the_rest_is_said() -> None:
    machine = machine_of(exact_session(stalled(law(0.6))))
    assert set(machine.curves) == {CURRENT, POWER}
    assert any("Airflow is not predicted" in remark for remark in machine.remarks)


def stalled(running: Law) -> Law:
    return lambda voltage_v: {
        **running(voltage_v),
        "flow": 0.0 if voltage_v < 220.0 else 250.0,
    }


def test_a_quantity_that_some_conditions_lack_is_left_out() -> None:
    session = exact_session(law(0.6))
    flows = dict(session.observations)
    flows["flow"] = flows["flow"][:3]
    machine = machine_of(replace(session, observations=flows))
    assert "flow" not in machine.curves
    assert any("3 conditions have it" in remark for remark in machine.remarks)


def test_a_power_at_the_supplys_end_holds_the_leads_loss_and_is_not_taken() -> None:
    at_supply = replace(WATTS, place="supply end")
    quantities = [SUPPLY, MACHINE, AMPERES, at_supply, FLOW]
    machine = machine_of(exact_session(law(0.6), quantities=quantities))
    assert POWER not in machine.curves


def test_milliamperes_and_kilowatts_are_understood() -> None:
    quantities = [
        SUPPLY,
        MACHINE,
        replace(AMPERES, unit="mA"),
        replace(WATTS, unit="kW"),
    ]
    small = law(0.6, current_a=1000.0)
    session = exact_session(small, quantities=quantities)
    # 230 V and 1 A are 0.23 kW.
    watts = tuple(
        replace(
            o,
            mean=1e-6 * o.mean,
            std_uncertainty_within=1e-6 * o.std_uncertainty_within,
        )
        for o in session.observations[WATTS.name]
    )
    observed = {**session.observations, WATTS.name: watts}
    machine = machine_of(replace(session, observations=observed))
    assert machine.curves[CURRENT].value(230.0) == pytest.approx(1.0)
    assert machine.curves[POWER].value(230.0) == pytest.approx(230.0)
    assert machine.curves[POWER].quantity.unit == "W"


def test_the_supply_is_reckoned_back_over_a_stated_lead() -> None:
    # By hand: 230 V + 10 A * 0.2 ohm at power factor 1.
    session = exact_session(
        law(1.0),
        quantities=[MACHINE, AMPERES, WATTS],
        leads={"a": LeadFacts(loop_ohm=0.2)},
    )
    supply = machine_of(session).supply
    assert supply.voltage(10.0) == pytest.approx(232.0)
    assert "reckoned back" in supply.origin


def test_a_supply_voltage_changed_on_purpose_says_nothing_of_the_outlet() -> None:
    session = exact_session(
        law(1.0),
        quantities=[MACHINE, AMPERES, WATTS],
        changes=dict.fromkeys("bcd", ("supply voltage",)),
        leads=dict.fromkeys("abcd", LeadFacts(loop_ohm=0.2)),
    )
    assert machine_of(session).supply.voltage(10.0) == pytest.approx(232.0)


def test_a_leads_range_reaches_from_pure_copper_to_the_standards_most() -> None:
    # IEC 60228:2004, table 3: 13.3 ohm/km at 20 degrees for 1.5 mm2, pure copper 1000/58/1.5 = 11.49; copper at 35 degrees
    # has 269.5/254.5 of that; half of 30 milliohm for contacts.
    lead = lead_of(jacket_of_area(1.5), 25.0)
    middle = 2.0 * 25.0 * (13.3e-3 + 1e-3 * 1000.0 / 58.0 / 1.5) / 2.0
    assert lead.resistance_ohm == pytest.approx(middle * 269.5 / 254.5 + 0.015)
    widths = {part.name: part.std_uncertainty for part in lead.contributions}
    half = 25.0 * (13.3e-3 - 1e-3 * 1000.0 / 58.0 / 1.5) * 269.5 / 254.5
    assert widths["conductor"] == pytest.approx(half / 3.0**0.5)
    assert widths["contacts"] == pytest.approx(0.015 / 3.0**0.5)


def test_a_plan_states_a_lead_by_size_or_by_resistance() -> None:
    assert lead_as_stated(None) is None
    assert lead_as_stated(LeadFacts(area_mm2=1.5)) is None
    assert lead_as_stated(LeadFacts(length_m=10.0)) is None
    measured = lead_as_stated(
        LeadFacts(loop_ohm=0.3, loop_expanded_uncertainty_ohm=0.02)
    )
    assert measured is not None
    assert measured.std_uncertainty_ohm == pytest.approx(0.01)
    gauge = lead_as_stated(LeadFacts(awg=14, length_m=30.48))
    assert gauge is not None
    by_hand = lead_of(jacket_of_gauge(14), 30.48)
    assert gauge.resistance_ohm == pytest.approx(by_hand.resistance_ohm)
    plain = lead_as_stated(LeadFacts(area_mm2=1.5, length_m=25.0))
    tinned = lead_as_stated(
        LeadFacts(area_mm2=1.5, length_m=25.0, conductor="flexible tinned")
    )
    assert plain is not None
    assert tinned is not None
    assert tinned.resistance_ohm > plain.resistance_ohm


def test_means_that_hold_for_another_voltage_are_left_out_and_named() -> None:
    session = replace(exact_session(law(1.0)), normalised=frozenset({WATTS.name}))
    machine = machine_of(session, supply_v=232.0)
    assert POWER not in machine.curves
    assert any(
        f"another voltage than was measured at the machine: {WATTS.name}" in r
        for r in machine.remarks
    )


def test_a_power_that_cannot_be_is_not_predicted_and_that_is_said() -> None:
    session = exact_session(law(1.0))
    watts = tuple(
        replace(o, mean=1.4 * o.mean) for o in session.observations[WATTS.name]
    )
    observed = {**session.observations, WATTS.name: watts}
    machine = machine_of(replace(session, observations=observed), supply_v=232.0)
    assert POWER not in machine.curves
    assert any("which cannot be above 1" in remark for remark in machine.remarks)
