"""What the air costs: steps from cheap to dear, who is beaten, what is advised."""

import pytest

from daq.advice.price import compare_prices
from daq.comparison.rules import ConditionFacts
from tests.core.advice.sessions import BARE, FLOW, POWER, STANDARD, compared, known

SPREADS = {"airflow": known(0.5), "airflow_standard": known(0.5)}


def priced(means, prices, *, warned=(), **rules):
    """Prices held against airflows, the spread of 0.5 % known unless said otherwise."""
    conditions = [ConditionFacts(n, ("lead",), p) for n, p in prices.items()]
    session = compared(
        {FLOW: {n: [m] for n, m in means.items()}},
        conditions=conditions,
        **{"spreads": SPREADS, **rules},
    )
    return compare_prices(session, warned=warned)


def test_each_real_step_has_its_price_for_what_it_recovers():
    means = {BARE: 100.0, "thin": 80.0, "middle": 90.0, "thick": 95.0}
    found = priced(means, {"thin": 40, "middle": 60, "thick": 90})
    # By hand: 20 for 10 m3/h, then 30 for 5 m3/h.
    assert [s.price_per_unit for s in found.steps] == pytest.approx([2.0, 6.0])
    assert found.recommended == "thick"
    assert [p.name for p in found.priced] == ["thin", "middle", "thick"]


def test_the_price_of_a_step_has_an_interval_that_is_wider_above():
    step = priced(
        {BARE: 100.0, "thin": 80.0, "thick": 90.0}, {"thin": 40, "thick": 60}
    ).steps[0]
    expanded = step.gain.expanded_uncertainty
    assert step.at_least == pytest.approx(20.0 / (10.0 + expanded))
    assert step.at_most == pytest.approx(20.0 / (10.0 - expanded))


def test_a_step_that_is_not_shown_to_bring_anything_has_a_lowest_price_only():
    found = priced(
        {BARE: 100.0, "thin": 90.0, "thick": 90.3}, {"thin": 40, "thick": 60}
    )
    step = found.steps[0]
    assert (step.price_per_unit, step.at_most) == (None, None)
    assert step.at_least == pytest.approx(20.0 / step.gain.most)
    assert found.recommended == "thin"


def test_what_costs_more_and_brings_less_is_beaten():
    found = priced({BARE: 100.0, "good": 95.0, "bad": 80.0}, {"good": 40, "bad": 60})
    assert [(r.beaten, r.by, r.is_better) for r in found.rivals] == [
        ("bad", "good", True)
    ]
    assert found.rivals[0].saving == 20.0
    assert found.steps[0].at_least is None
    assert found.recommended == "good"


def test_what_costs_less_and_is_not_shown_to_be_worse_is_a_rival_only():
    found = priced({BARE: 100.0, "thin": 90.0, "thick": 90.3}, {"thin": 4, "thick": 6})
    assert [(r.beaten, r.by, r.is_better) for r in found.rivals] == [
        ("thick", "thin", False)
    ]


def test_at_one_price_the_better_one_beats_the_other_and_nothing_less_does():
    found = priced(
        {BARE: 100.0, "a": 80.0, "b": 90.0, "c": 90.1}, dict.fromkeys("abc", 50)
    )
    assert {(r.beaten, r.by) for r in found.rivals} == {("a", "b"), ("a", "c")}
    assert all(rival.is_better for rival in found.rivals)
    assert found.recommended == "c"


def test_the_cheapest_is_advised_that_nothing_is_really_better_than():
    # The spread of 0.5 % lets 1 % between neighbours pass unseen, but not 2 %.
    means = {BARE: 100.0, "thin": 88.0, "middle": 89.2, "thick": 90.4}
    found = priced(means, {"thin": 40, "middle": 45, "thick": 90})
    assert [s.gain.is_more for s in found.steps] == [False, True]
    assert found.recommended == "middle"


def test_a_later_step_starts_from_the_last_that_was_shown_to_bring_more():
    means = {BARE: 100.0, "thin": 88.0, "middle": 89.2, "thick": 90.4}
    found = priced(means, {"thin": 40, "middle": 45, "thick": 90})
    assert [(s.cheaper, s.dearer) for s in found.steps] == [
        ("thin", "middle"),
        ("thin", "thick"),
    ]


def test_without_repeats_nothing_is_advised_and_the_figures_stand():
    found = priced(
        {BARE: 100.0, "thin": 50.0, "thick": 90.0}, {"thin": 4, "thick": 6}, spreads={}
    )
    assert found.recommended is None
    assert found.rivals == ()
    assert found.steps[0].gain.difference == pytest.approx(40.0)
    assert found.steps[0].price_per_unit is None


def test_a_condition_with_a_warning_is_not_advised():
    means = {BARE: 100.0, "thin": 90.0, "middle": 90.1, "thick": 90.2}
    prices = {"thin": 40, "middle": 60, "thick": 80}
    assert priced(means, prices).recommended == "thin"
    found = priced(means, prices, warned={"thin", BARE})
    assert found.recommended == "middle"
    assert found.warned == ("thin",)
    assert [(s.cheaper, s.dearer) for s in found.steps] == [("middle", "thick")]


def test_conditions_without_a_price_or_without_an_average_are_named():
    found = priced(
        {BARE: 100.0, "thin": 90.0, "odd": 92.0},
        {BARE: None, "thin": 40, "odd": None, "lost": 70},
    )
    assert found.unpriced == ("odd",)
    assert found.unmeasured == ("lost",)
    assert found.steps == ()
    assert found.recommended is None


def test_a_baseline_with_a_price_can_be_bought_too():
    found = priced({BARE: 100.0, "thin": 90.0}, {BARE: 10, "thin": 40})
    assert found.recommended == BARE
    assert found.priced[0].difference is None


def test_without_an_airflow_there_is_nothing_to_buy():
    session = compared(
        {POWER: {BARE: [1500.0], "thin": [1400.0]}},
        conditions=[ConditionFacts("thin", ("lead",), 40.0)],
    )
    found = compare_prices(session)
    assert found.quantity is None
    assert found.priced == ()


def test_an_answer_of_which_more_is_better_is_what_is_bought():
    means = {BARE: [100.0], "thin": [90.0]}
    facts = [ConditionFacts("thin", ("lead",), 40.0)]
    for answer, bought in [("airflow", "airflow"), ("power", "airflow_standard")]:
        session = compared(
            {FLOW: means, STANDARD: means, POWER: means},
            conditions=facts,
            answer=answer,
        )
        quantity = compare_prices(session).quantity
        assert quantity is not None
        assert quantity.name == bought


def test_a_session_without_a_baseline_has_nothing_to_weigh():
    session = compared(
        {FLOW: {"thin": [90.0], "thick": [95.0]}},
        conditions=[
            ConditionFacts("thin", (), 40.0),
            ConditionFacts("thick", (), 50.0),
        ],
    )
    assert compare_prices(session).recommended is None
