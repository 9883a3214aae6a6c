"""What people read of nameplate, drift, conveying, price and safety: figures, doubts, and what is missing."""

import pytest

from daq.advice.price import compare_prices
from daq.advice.price_sentences import price_rows, price_sentences
from daq.advice.safety import safety_findings
from daq.advice.sentences import (
    conveying_rows,
    conveying_sentences,
    drift_sentences,
    index_meaning,
    nameplate_rows,
    nameplate_sentences,
    safety_sentences,
)
from daq.advice.shown import enumerated, money, round_figure, signed_average
from daq.comparison.conveying import compare_conveying
from daq.comparison.drift import baseline_drift
from daq.comparison.nameplate import compare_nameplate
from daq.comparison.rules import Circuit, ConditionFacts, Nameplate
from daq.comparison_words import MINUS
from tests.core.advice.sessions import (
    BARE,
    CURRENT,
    FLOW,
    POWER,
    compared,
    known,
)

SPREADS = {"airflow": known(0.5)}


def said(sentences):
    return "\n".join(sentences)


def prices(means, costs, *, warned=(), **rules):
    session = compared(
        {FLOW: {n: [m] for n, m in means.items()}},
        conditions=[ConditionFacts(n, ("lead",), p) for n, p in costs.items()],
        **{"spreads": SPREADS, **rules},
    )
    return compare_prices(session, warned=warned)


# ---- figures


@pytest.mark.parametrize(
    ("value", "expanded", "text"),
    [
        (1.234, 0.05, "+1.234 ± 0.050 A"),
        (-12.3, 2.1, f"{MINUS}12.3 ± 2.1 A"),
        (-0.001, 0.5, "0.00 ± 0.50 A"),
    ],
)
def test_a_difference_has_its_sign_and_the_digits_of_its_uncertainty(
    value, expanded, text
):
    assert signed_average(value, expanded, "A") == text


def test_money_has_cents_only_where_there_are_some():
    assert money(49.0, "EUR") == "49 EUR"
    assert money(49.5, "EUR") == "49.50 EUR"
    assert money(1234567.0, "") == "1234567"


def test_round_figures_have_two_digits_and_no_exponent():
    shown = [round_figure(x) for x in (0.0, 0.1234, 45.9, 1234.0, -2.55)]
    assert shown == ["0", "0.12", "46", "1234", f"{MINUS}2.5"]


def test_things_in_a_row_are_joined_as_people_do():
    assert enumerated([]) == ""
    assert enumerated(["a"]) == "a"
    assert enumerated(["a", "b", "c"]) == "a, b and c"


# ---- nameplate, drift, conveying


def test_the_nameplates_sentence_has_figure_rating_and_verdict():
    nameplate = Nameplate(current_a=6.5, power_w=1500.0, tolerance_percent=5.0)
    session = compared({CURRENT: {BARE: [6.0]}}, nameplate=nameplate, within=0.01)
    found = compare_nameplate(session)
    first, second = nameplate_sentences(found)
    assert first.startswith(
        "Current: 6.000 ± 0.020 A, 92.31 ± 0.30 % of the rated 6.5 A"
    )
    assert "short of it, by more than the 5 % allowed" in first
    assert "no power was averaged" in second
    assert nameplate_rows(found)[1][-1] == "short"


def test_a_plan_without_a_nameplate_has_no_table():
    found = compare_nameplate(compared({CURRENT: {BARE: [6.0]}}))
    assert nameplate_rows(found) == []
    assert nameplate_sentences(found) == [
        "The plan states no rating ([machine.nameplate])."
    ]


def drifting(step):
    return {
        name: [level + step * (place + 3 * turn) for turn in range(3)]
        for place, (name, level) in enumerate({BARE: 100, "a": 90, "b": 80}.items())
    }


def test_a_drift_is_told_with_its_rate_and_what_the_plan_does_about_it():
    session = compared({FLOW: drifting(0.5), POWER: drifting(0.0)}, within=0.01)
    text = said(drift_sentences(baseline_drift(session)))
    # Six steps of 0.5 in an hour.
    assert "Airflow drifted: +3.0" in text
    assert "Not shown to drift: Power" in text
    assert "does not close: with “bare”, Airflow did not come back" in text
    assert "bracketing takes an even drift out" in text


def test_a_plan_that_corrects_for_drift_is_told_what_stays():
    session = compared({FLOW: drifting(0.5)}, within=0.01, bracketing=True)
    found = baseline_drift(session)
    assert "one that is not even stays in" in said(drift_sentences(found))
    assert "Airflow drifted: " in said(drift_sentences(found))


def test_an_undecided_drift_says_why():
    session = compared({FLOW: {BARE: [100.0, 101.0], "a": [90.0]}})
    text = said(drift_sentences(baseline_drift(session)))
    assert "Undecided: Airflow (+1.0" in text
    assert "fewer than 3 degrees of freedom" in text


def test_a_baseline_that_was_not_repeated_has_no_drift_to_tell():
    found = baseline_drift(compared({FLOW: {BARE: [100.0], "a": [90.0]}}))
    assert "averaged once" in said(drift_sentences(found))


def test_the_conveying_index_is_never_shown_without_interval_and_standing():
    session = compared({FLOW: {BARE: [100.0], "long": [88.6]}}, spreads=SPREADS)
    found = compare_conveying(session)
    text = said(conveying_sentences(found))
    assert "long: 55 % (" in text
    assert "common practice, no published source" in text
    assert " to " in conveying_rows(found)[1][3]


def test_the_index_is_told_to_be_a_power_of_the_flow_and_no_airflow():
    session = compared({FLOW: {BARE: [100.0], "long": [88.6]}}, spreads=SPREADS)
    text = index_meaning(compare_conveying(session))
    assert "the ratio of “Airflow” to the power 5" in text
    assert text.endswith("It is no airflow.")
    without = compared({POWER: {BARE: [100.0], "long": [90.0]}})
    assert index_meaning(compare_conveying(without)) == ""


def test_an_index_without_repeats_and_one_without_a_difference_say_so():
    once = compared({FLOW: {BARE: [100.0], "long": [88.6]}})
    assert "not repeated" in said(conveying_sentences(compare_conveying(once)))
    same = compared({FLOW: {BARE: [100.0], "long": [99.9]}}, spreads=SPREADS)
    assert "is not shown" in said(conveying_sentences(compare_conveying(same)))


def test_without_an_airflow_there_is_no_index_and_a_sentence_why():
    found = compare_conveying(compared({POWER: {BARE: [100.0], "long": [90.0]}}))
    assert conveying_rows(found) == []
    assert "No conveying index" in said(conveying_sentences(found))


# ---- price


def test_advice_has_its_reason_and_its_doubts():
    means = {BARE: 100.0, "thin": 88.0, "middle": 89.2, "thick": 90.4}
    found = prices(means, {"thin": 40, "middle": 45, "thick": 90})
    text = said(price_sentences(found))
    assert "“middle” (45 EUR) is advised" in text
    assert "Reason: “thin” costs 5 EUR less, but “thick” really brings more" in text
    assert "Doubt: it is not shown to bring more than “thin”" in text
    assert "Doubt: “thick”, 45 EUR dearer, may bring up to" in text
    assert "It really differs from “bare”" in text


def test_each_step_tells_what_it_costs_or_that_nothing_is_shown():
    means = {BARE: 100.0, "thin": 80.0, "middle": 90.0, "thick": 90.2}
    found = prices(means, {"thin": 40, "middle": 60, "thick": 90})
    text = said(price_sentences(found))
    assert "From “thin” to “middle”, 20 EUR more: +10.0 ± 1.4 m³/h, 2.0 EUR (" in text
    assert "From “middle” to “thick”, 30 EUR more: not shown to bring anything" in text
    table = price_rows(found)
    assert table[0][4] == "price per m³/h recovered"
    assert [row[0] for row in table[1:]] == ["thin", "middle", "thick"]
    assert table[2][-1] == "recommended"


def test_who_is_beaten_is_said():
    found = prices({BARE: 100.0, "good": 95.0, "bad": 80.0}, {"good": 40, "bad": 60})
    text = said(price_sentences(found))
    assert "“bad” is beaten: “good” costs 20 EUR less and really brings more" in text
    assert "it brings less" in text
    assert price_rows(found)[2][-1] == "beaten by “good”"


def test_equal_prices_cost_nothing_extra():
    found = prices({BARE: 100.0, "a": 80.0, "b": 90.0}, {"a": 50, "b": 50})
    text = said(price_sentences(found))
    assert "“a” is beaten: “b” costs the same and really brings more" in text
    assert "From “b” to “a”, at the same price: it brings less" in text


def test_without_repeats_no_advice_is_given_and_the_figures_are():
    found = prices({BARE: 100.0, "a": 80.0, "b": 90.0}, {"a": 5, "b": 9}, spreads={})
    text = said(price_sentences(found))
    assert "No advice by price: what changes from one switch-on to the next" in text
    assert "undecided because it was not repeated enough" in text


@pytest.mark.parametrize(
    ("costs", "warned", "part"),
    [
        ({}, (), "the plan states none"),
        ({"a": 5.0}, (), "only “a” can be chosen"),
        ({"a": 5.0, "b": 9.0}, ("a", "b"), "a warning stands against everything"),
    ],
)
def test_where_nothing_can_be_advised_the_reason_is_given(costs, warned, part):
    found = prices({BARE: 100.0, "a": 80.0, "b": 90.0}, costs, warned=warned)
    assert part in said(price_sentences(found))


def test_what_is_missing_is_named():
    found = prices(
        {BARE: 100.0, "a": 80.0, "b": 90.0, "c": 91.0},
        {"a": 5.0, "b": 9.0, "lost": 7.0},
        warned=("a",),
    )
    text = said(price_sentences(found))
    assert "Without a price, and so left out: “c”." in text
    assert "With a price but without an average: “lost”." in text
    assert "because a warning stands against it: “a”." in text
    assert price_rows(found)[1][-1] == "a warning stands against it"


def test_a_session_without_airflow_has_no_prices_to_weigh():
    session = compared({POWER: {BARE: [100.0], "a": [90.0]}})
    found = compare_prices(session)
    assert "no airflow" in said(price_sentences(found))
    assert price_rows(found) == []


# ---- safety


def test_findings_are_told_with_their_basis_and_whose_word_counts():
    session = compared({CURRENT: {BARE: [15.5]}}, circuit=Circuit(15.0, 16.0))
    text = said(safety_sentences(safety_findings(session)))
    assert text.startswith("Warning: 15.50")
    assert "Basis: the circuit's rating as the plan states it." in text
    assert "Not checked: no voltage was averaged at the machine's end" in text
    assert text.endswith("licensed practice decide.")


def test_no_finding_is_no_approval():
    session = compared({CURRENT: {BARE: [5.0]}}, circuit=Circuit(15.0, 16.0))
    text = said(safety_sentences(safety_findings(session)))
    assert "Nothing that could be checked is beyond a limit." in text
    assert "permit nothing" in text
