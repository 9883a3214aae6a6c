"""A whole session: every quantity that the baseline has, the answer's first."""

from dataclasses import replace

import pytest

from daq.comparison.observations import Quantity
from daq.comparison.rules import Airflow, ComparisonRules, Surroundings
from daq.comparison.session import answer_of, compare_session
from daq.comparison.spread import SpreadSource, StatedSpread
from daq.comparison.verdicts import Verdict
from daq.physics.airflow import AirMeterKind
from daq.repeats import Spread
from tests.core.comparison.sessions import FLOW, POWER, figures_of

TWICE = {"bare": [100.0, 100.2], "filter": [90.0, 90.3], "hose": [95.0, 95.2]}
ONCE = {"bare": [100.0], "filter": [90.0]}
VELOCITY = Quantity("velocity", "Outlet velocity", "velocity", "m/s")
STANDARD = replace(FLOW, name="airflow_standard", title="Airflow, standard air")
DUCT = Surroundings(
    airflows=(Airflow("airflow", "Airflow", "velocity", AirMeterKind.VANE),)
)


def test_every_quantity_is_compared_and_the_answers_comes_first():
    found = compare_session(figures_of({POWER: TWICE, FLOW: TWICE}))
    assert found.answer == "airflow"
    assert [c.quantity.name for c in found.comparisons] == ["airflow", "power"]
    assert [level.quantity for level in found.levels] == ["airflow"] * 3 + ["power"] * 3
    assert [d.verdict for d in found.comparisons[0].differences] == [Verdict.REAL] * 2


def test_without_a_baseline_trial_the_levels_are_there():
    found = compare_session(figures_of({FLOW: {"filter": [90.0, 91.0]}}))
    assert found.comparisons == ()
    assert found.of("airflow") is None
    assert [level.condition for level in found.levels] == ["filter"]


def test_one_condition_only_makes_a_comparison_with_nothing_in_it():
    found = compare_session(figures_of({FLOW: {"bare": [100.0, 100.1]}}))
    (compared,) = found.comparisons
    assert compared.differences == ()
    assert compared.baseline_mean == pytest.approx(100.05)


def test_with_nothing_settled_there_is_no_answer():
    found = compare_session(figures_of({}))
    assert (found.answer, found.comparisons, found.levels) == (None, (), ())


def test_a_quantity_that_the_baseline_lacks_is_left_to_its_levels():
    found = compare_session(figures_of({FLOW: {"filter": [90.0]}, POWER: ONCE}))
    assert [c.quantity.name for c in found.comparisons] == ["power"]
    assert [level.quantity for level in found.levels] == ["airflow", "power", "power"]


def test_a_condition_that_lacks_a_channel_is_missing_in_that_quantity_only():
    found = compare_session(
        figures_of({FLOW: {"bare": [100.0, 100.1]}, POWER: TWICE}),
    )
    flow, power = found.comparisons
    assert flow.differences == ()
    assert [d.condition for d in power.differences] == ["filter", "hose"]


def test_zero_airflow_has_a_difference_and_no_ratio():
    nothing = {"bare": [0.0, 0.0, 0.0], "filter": [0.0, 0.0, 0.0]}
    found = compare_session(figures_of({FLOW: nothing}))
    (difference,) = found.comparisons[0].differences
    assert (difference.difference, difference.ratio) == (0.0, None)
    assert difference.verdict is Verdict.NOT_SHOWN


# ---- what the answer is about


@pytest.mark.parametrize(
    ("quantities", "answer"),
    [
        ((POWER, VELOCITY, FLOW, STANDARD), "airflow_standard"),
        ((POWER, VELOCITY, FLOW), "airflow"),
        ((POWER, VELOCITY), "velocity"),
        ((POWER,), "power"),
        ((replace(POWER, name="speed", quantity="rotational speed"),), "speed"),
    ],
)
def test_the_answer_is_about_the_air_as_near_to_standard_as_there_is(
    quantities, answer
):
    figures = figures_of(dict.fromkeys(quantities, ONCE), surroundings=DUCT)
    assert answer_of(figures) == answer


def test_an_airflow_meter_without_a_description_of_its_own_counts_as_airflow():
    meter = replace(FLOW, name="flow_meter")
    assert answer_of(figures_of({POWER: ONCE, meter: ONCE})) == "flow_meter"


def test_the_plan_may_want_the_answer_about_something_else():
    rules = ComparisonRules(answer="power")
    found = compare_session(figures_of({FLOW: TWICE, POWER: TWICE}, rules=rules))
    assert found.answer == found.comparisons[0].quantity.name == "power"


def test_an_answer_about_nothing_is_refused_by_name():
    rules = ComparisonRules(answer="torque")
    with pytest.raises(ValueError, match=r"session 1.*'torque', expected one of power"):
        compare_session(figures_of({POWER: ONCE}, rules=rules))


# ---- what the plan says beforehand


def test_a_stated_spread_is_used_for_its_quantity_only():
    rules = ComparisonRules(spreads={"power": StatedSpread(0.1, 9.0, "nine starts")})
    found = compare_session(figures_of({FLOW: ONCE, POWER: ONCE}, rules=rules))
    flow, power = found.comparisons
    assert flow.spread is None
    assert power.spread is not None
    assert power.spread.source is SpreadSource.STATED


def test_earlier_sessions_are_used_for_their_quantity_only():
    figures = figures_of(
        {FLOW: ONCE, POWER: ONCE}, earlier={"power": ((4, Spread(0.2, 5)),)}
    )
    flow, power = compare_session(figures).comparisons
    assert flow.spread is None
    assert power.spread is not None
    assert power.spread.detail == "5 degrees of freedom, with session 4"


def test_the_drift_is_taken_out_where_the_plan_says_so_beforehand():
    # Carried out as bare, filter, bare: halfway between the two baselines is 101.
    drifting = {"bare": [100.0, 102.0], "filter": [91.0]}
    rules = ComparisonRules(bracketing=True)
    found = compare_session(figures_of({FLOW: drifting}, rules=rules))
    (difference,) = found.comparisons[0].differences
    assert difference.is_corrected
    assert difference.difference == pytest.approx(-10.0)
