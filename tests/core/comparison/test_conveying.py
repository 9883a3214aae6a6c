"""What each condition keeps of the carrying ability."""

import pytest

from daq.comparison.conveying import airflow_comparison, compare_conveying
from daq.comparison.verdicts import Verdict
from tests.core.advice.sessions import (
    BARE,
    FLOW,
    POWER,
    SPEED,
    STANDARD,
    compared,
    known,
)

KNOWN = {name: known() for name in ("airflow", "airflow_standard", "speed")}


def test_a_loss_of_eleven_percent_of_airflow_leaves_little_more_than_half():
    # Common practice, no published source: 11.4 % less airflow leaves 54.6 % by the fifth power.
    session = compared({FLOW: {BARE: [100.0], "long": [88.6]}}, spreads=KNOWN)
    found = compare_conveying(session)
    assert found.conditions[0].index == pytest.approx(0.546, abs=5e-4)
    assert found.standing == "common practice, no published source"


def test_the_interval_is_taken_through_the_rule_at_both_ends():
    session = compared(
        {FLOW: {BARE: [100.0], "long": [90.0]}}, spreads={"airflow": known(2.0)}
    )
    each = compare_conveying(session).conditions[0]
    ratio, expanded = each.flow_ratio, each.flow_ratio_expanded_uncertainty
    assert each.low == pytest.approx((ratio - expanded) ** 5)
    assert each.high == pytest.approx((ratio + expanded) ** 5)
    # Steep: the interval is not even about the index.
    assert each.high - each.index > each.index - each.low


def test_the_plan_can_set_another_exponent():
    session = compared(
        {FLOW: {BARE: [100.0], "long": [80.0]}}, spreads=KNOWN, conveying_exponent=3.0
    )
    # By hand: 0.8 cubed.
    assert compare_conveying(session).conditions[0].index == pytest.approx(0.512)


def test_standard_air_comes_before_the_flow_as_it_was_and_that_before_a_velocity():
    means = {BARE: [100.0], "long": [90.0]}
    for there, name in [
        ({SPEED: means, FLOW: means, STANDARD: means}, "airflow_standard"),
        ({SPEED: means, FLOW: means}, "airflow"),
        ({POWER: means, SPEED: means}, "speed"),
    ]:
        found = airflow_comparison(compared(there, spreads=KNOWN))
        assert found is not None
        assert found.quantity.name == name


def test_the_answers_own_flow_comes_first():
    means = {BARE: [100.0], "long": [90.0]}
    session = compared({FLOW: means, STANDARD: means}, answer="airflow", spreads=KNOWN)
    found = compare_conveying(session)
    assert found.quantity is not None
    assert found.quantity.name == "airflow"


def test_an_index_of_trials_that_were_not_repeated_says_so():
    session = compared({FLOW: {BARE: [100.0], "long": [90.0]}})
    assert compare_conveying(session).conditions[0].verdict is Verdict.UNDECIDED


def test_no_flow_has_no_index():
    session = compared({FLOW: {BARE: [100.0], "shut": [0.0], "long": [90.0]}})
    found = compare_conveying(session)
    assert [c.condition for c in found.conditions] == ["long"]
    assert found.remarks == ("shut: no conveying index, nothing flows",)


def test_a_wide_interval_ends_at_no_flow():
    session = compared(
        {FLOW: {BARE: [100.0], "long": [10.0]}}, spreads={"airflow": known(10.0)}
    )
    assert compare_conveying(session).conditions[0].low == 0.0


def test_a_baseline_without_flow_has_no_ratio():
    session = compared({FLOW: {BARE: [0.0], "long": [90.0]}})
    found = compare_conveying(session)
    assert found.conditions == ()
    assert "not clearly different from zero" in found.remarks[0]


def test_a_session_without_airflow_says_so():
    session = compared({POWER: {BARE: [100.0], "long": [90.0]}})
    found = compare_conveying(session)
    assert found.quantity is None
    assert "no airflow or velocity" in found.remarks[0]
