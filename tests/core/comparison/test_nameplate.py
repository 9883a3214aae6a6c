"""The baseline against the nameplate: what is met, exceeded, not reached, or open."""

import pytest

from daq.comparison.nameplate import (
    RatingVerdict,
    compare_nameplate,
    rating_verdict,
)
from daq.comparison.rules import Nameplate
from tests.core.advice.sessions import (
    BARE,
    CURRENT,
    FLOW,
    MAINS,
    POWER,
    STANDARD,
    VOLTS,
    compared,
)


@pytest.mark.parametrize(
    ("mean", "expanded", "verdict"),
    [
        # Rated 100 with 5 %: 95 to 105, by hand.
        (100.0, 4.9, RatingVerdict.MET),
        (95.0, 0.0, RatingVerdict.MET),
        (104.0, 1.5, RatingVerdict.WITHIN_UNCERTAINTY),
        (106.0, 1.5, RatingVerdict.WITHIN_UNCERTAINTY),
        (100.0, 20.0, RatingVerdict.WITHIN_UNCERTAINTY),
        (106.0, 0.9, RatingVerdict.EXCEEDED),
        (94.0, 0.9, RatingVerdict.SHORT),
    ],
)
def test_a_rating_is_met_only_by_the_whole_interval(mean, expanded, verdict):
    assert rating_verdict(mean, expanded, 100.0, tolerance_percent=5.0) is verdict


def test_without_a_tolerance_an_uncertain_figure_is_at_best_within_the_uncertainty():
    found = rating_verdict(100.0, 0.1, 100.0, tolerance_percent=0.0)
    assert found is RatingVerdict.WITHIN_UNCERTAINTY


@pytest.mark.parametrize("rated", [0.0, -1.0, float("nan")])
def test_a_rating_that_is_none_is_refused(rated):
    with pytest.raises(ValueError, match="expected above 0"):
        rating_verdict(1.0, 0.1, rated, tolerance_percent=0.0)


def test_every_rating_is_held_against_the_baseline_alone():
    values = {
        VOLTS: {BARE: [230.0, 230.2], "long": [200.0, 200.0]},
        CURRENT: {BARE: [6.0, 6.0], "long": [9.0, 9.0]},
        POWER: {BARE: [1700.0, 1702.0], "long": [1500.0, 1500.0]},
    }
    nameplate = Nameplate(230.0, 6.5, 1500.0, tolerance_percent=5.0)
    found = compare_nameplate(compared(values, nameplate=nameplate))
    verdicts = {c.quantity.quantity: c.verdict for c in found.checks}
    assert verdicts == {
        "voltage": RatingVerdict.MET,
        "current": RatingVerdict.SHORT,
        "power": RatingVerdict.EXCEEDED,
    }
    assert found.checks[0].level.trials == (1, 3)


def test_what_the_meter_may_be_off_by_counts():
    values = {CURRENT: {BARE: [6.0, 6.0, 6.0]}}
    nameplate = Nameplate(current_a=6.5, tolerance_percent=5.0)
    off = compared(values, nameplate=nameplate, errors={"current: gain": 0.4})
    assert compare_nameplate(off).checks[0].verdict is RatingVerdict.WITHIN_UNCERTAINTY


def test_the_rated_airflow_is_converted_to_the_unit_that_was_measured():
    # 1 ft3/min = 0.3048^3/60 m3/s, so 100 ft3/min = 169.9011 m3/h (UCUM's exact factor, by hand).
    nameplate = Nameplate(airflow=100.0, airflow_unit="ft3/min", tolerance_percent=1.0)
    values = {FLOW: {BARE: [169.9, 169.9]}}
    check = compare_nameplate(compared(values, nameplate=nameplate)).checks[0]
    assert check.rated == pytest.approx(169.9011, abs=1e-4)
    assert check.verdict is RatingVerdict.MET
    assert check.percent_of_rating == pytest.approx(100.0, abs=0.01)


def test_flow_as_it_was_and_of_standard_air_are_both_held_against_the_rating():
    nameplate = Nameplate(airflow=200.0, airflow_unit="m3/h", tolerance_percent=5.0)
    values = {FLOW: {BARE: [201.0]}, STANDARD: {BARE: [182.0]}}
    found = compare_nameplate(compared(values, nameplate=nameplate))
    assert {c.quantity.name: c.verdict for c in found.checks} == {
        "airflow_standard": RatingVerdict.SHORT,
        "airflow": RatingVerdict.MET,
    }
    assert any("does not say of what air" in remark for remark in found.remarks)


def test_a_voltage_at_the_supplys_end_is_not_the_machines():
    found = compare_nameplate(
        compared({MAINS: {BARE: [230.0]}}, nameplate=Nameplate(voltage_v=230.0))
    )
    assert found.checks == ()
    assert "no voltage was averaged at the machine's end" in found.remarks[0]


def test_a_channel_that_is_missing_is_said_and_the_rest_is_checked():
    nameplate = Nameplate(current_a=6.5, power_w=1500.0, tolerance_percent=5.0)
    found = compare_nameplate(
        compared({CURRENT: {BARE: [6.5]}}, nameplate=nameplate, within=0.01)
    )
    assert found.of("current") is not None
    assert found.of("power") is None
    assert found.remarks == (
        "the rated power is held against nothing: no power was averaged under the baseline",
    )


def test_a_session_without_a_baseline_trial_says_so_for_each_rating():
    found = compare_nameplate(
        compared({CURRENT: {"long": [6.5]}}, nameplate=Nameplate(current_a=6.5))
    )
    assert found.checks == ()
    assert "no current was averaged under the baseline" in found.remarks[0]


def test_a_plan_without_a_nameplate_says_so():
    found = compare_nameplate(compared({CURRENT: {BARE: [6.5]}}))
    assert found.remarks == ("the plan states no rating ([machine.nameplate])",)


def test_the_other_ratings_are_doubted_where_the_voltage_was_not_the_rated_one():
    values = {VOLTS: {BARE: [210.0]}, POWER: {BARE: [1300.0]}}
    nameplate = Nameplate(voltage_v=230.0, power_w=1500.0, tolerance_percent=3.0)
    found = compare_nameplate(compared(values, nameplate=nameplate))
    assert (
        "the other ratings hold at 230 V, and the machine did not have that"
        in found.remarks
    )


def test_an_airflow_that_the_baseline_has_is_held_against_the_rating_whatever_lacks():
    # Standard air was derived under another condition alone.
    session = compared(
        {STANDARD: {"long": [182.0]}, FLOW: {BARE: [201.0]}},
        nameplate=Nameplate(airflow=200.0, airflow_unit="m3/h"),
    )
    (check,) = compare_nameplate(session).checks
    assert check.quantity.name == "airflow"
    # By hand: 201 of 200, and its expanded uncertainty of 200.
    assert check.percent_of_rating == pytest.approx(100.5)
    assert check.expanded_percent == pytest.approx(
        check.level.expanded_uncertainty / 2.0
    )
