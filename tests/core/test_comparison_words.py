"""What is said of a comparison: a sentence a condition, what it rests on, and a clear word where there is no answer."""

from dataclasses import replace
from typing import Any

import pytest

from daq.comparison.observations import Quantity
from daq.comparison.rules import ComparisonRules
from daq.comparison.session import LeftOut, SessionComparison, compare_session
from daq.comparison.spread import StatedSpread
from daq.comparison_words import (
    MINUS,
    answer_sentences,
    basis_sentence,
    correction_sentence,
    explanations,
    left_out_sentence,
    left_out_sentences,
    rests_on,
    share_of_baseline,
    share_sentence,
    shown_difference,
    shown_percentage,
)
from daq.repeats import Spread
from daq.wording import shown_average
from tests.core.comparison.sessions import FLOW, POWER, Means, figures_of

LOST = {"bare": [100.0, 100.2, 99.9], "filter": [90.0, 90.2, 89.9]}
ALIKE = {"bare": [100.0, 100.4, 99.8], "filter": [100.1, 99.9, 100.3]}
ONCE = {"bare": [100.0], "filter": [90.0], "hose": [99.999]}
STANDARD = replace(FLOW, name="airflow_standard", title="Airflow, standard air")
DROP = Quantity("voltage_drop", "Voltage drop", "voltage", "V")


def said_of(
    means: Means, quantity: Quantity = FLOW, *, within: float = 0.01
) -> list[str]:
    figures = figures_of({quantity: means}, within=within)
    return answer_sentences(compare_session(figures))


def compared(means: Means, quantity: Quantity = FLOW, **others: Any):
    found = compare_session(figures_of({quantity: means}, **others))
    return found.comparisons[0]


# ---- the answer


def test_a_real_loss_is_said_without_a_sign():
    (sentence,) = said_of(LOST)
    # 3 means a condition with s = 0.153, t = 2.78 for 4: U = 0.35 of 100 and, in the ratio, a little less.
    assert sentence == (
        "filter: 10.00 ± 0.33 % less airflow than with “bare”; the difference is real."
    )


def test_a_real_gain_is_more():
    (sentence,) = said_of({"bare": LOST["filter"], "booster": LOST["bare"]})
    assert sentence.startswith("booster: 11.11 ± ")
    assert "more airflow than with “bare”" in sentence


def test_a_suction_that_grows_is_more_though_its_figure_falls():
    suction = replace(FLOW, name="suction", title="Suction", quantity="pressure")
    (sentence,) = said_of(
        {"bare": [-100.0, -100.1, -99.9], "hose": [-110.0, -110.1, -109.9]}, suction
    )
    assert "more suction" in sentence


def test_no_difference_shown_comes_with_what_would_have_been_found():
    (sentence,) = said_of(ALIKE)
    assert sentence.startswith("filter: no difference in airflow shown (")
    assert sentence.endswith("would have been found 4 times in 5.")


def test_undecided_says_at_which_spread_it_vanishes():
    filter_, hose = said_of(ONCE)
    # 10 / (1.96 sqrt(2)) = 3.6, the scatter within being nothing beside it.
    assert filter_ == (
        f"filter: {MINUS}10.000 ± 0.027 % in airflow, undecided because it was not repeated enough."
        " It vanishes if trials of one condition spread by 3.6 % (3.6 m³/h) or more."
    )
    assert hose.endswith("It does not exceed the uncertainty within the trials.")


def test_a_title_with_an_addition_stands_in_a_sentence():
    (sentence,) = said_of(LOST, STANDARD)
    assert "less airflow (standard air) than" in sentence


def test_what_may_be_zero_at_the_baseline_has_no_percents():
    (sentence,) = said_of({"bare": [0.01, -0.02, 0.02], "lead": [5.0, 5.1, 5.05]}, DROP)
    assert "%" not in sentence
    assert " V more voltage drop than" in sentence


@pytest.mark.parametrize("flows", [[0.0, 0.0, 0.0], [5.0, 5.1, 5.2]])
def test_an_airflow_that_is_not_above_zero_makes_no_answer(flows):
    (sentence,) = said_of({"bare": [0.0, 0.0, 0.0], "filter": flows}, within=0.0)
    assert "is not above zero in trials" in sentence
    assert "nothing can be said of what was lost" in sentence


# ---- where there is none


def test_nothing_averaged_is_said():
    assert answer_sentences(compare_session(figures_of({}))) == [
        "No trial of this session was averaged: there is nothing to compare."
    ]


def test_no_baseline_trial_is_said_with_what_to_do():
    (sentence,) = said_of({"filter": [90.0, 91.0]})
    assert sentence.startswith("No trial of the baseline “bare” was averaged")
    assert sentence.endswith("Carry out the baseline to compare.")


def test_one_condition_only_is_said():
    assert said_of({"bare": [100.0]}) == [
        "Only the baseline “bare” was averaged: there is nothing to compare it with yet."
    ]


def test_an_answer_that_the_baseline_lacks_leaves_the_rest():
    found = compare_session(
        figures_of(
            {FLOW: {"filter": [90.0]}, POWER: LOST},
            rules=ComparisonRules(answer="airflow"),
        )
    )
    (sentence,) = answer_sentences(found)
    assert sentence.startswith("Airflow was not averaged with the baseline “bare”")
    assert "what else was measured is compared below" in sentence


def test_an_answer_that_only_the_baseline_has_leaves_the_rest():
    found = compare_session(figures_of({FLOW: {"bare": [100.0]}, POWER: LOST}))
    (sentence,) = answer_sentences(found)
    assert sentence.startswith("Airflow was averaged with the baseline “bare” only")


# ---- what it rests on


def test_the_basis_names_spread_source_and_rule():
    sentence = basis_sentence(compared(LOST))
    # s of 100.0, 100.2, 99.9 is 0.153, and of the others too.
    assert sentence.startswith(
        "Trials of one condition spread by 0.15 % (0.15 m³/h) (standard deviation; 4 degrees of freedom from this"
        " session's repeats)."
    )
    assert "Dunnett" in sentence


@pytest.mark.parametrize(
    ("conditions", "often"), [(1, "3 times"), (2, "twice"), (5, "twice")]
)
def test_what_was_not_repeated_says_how_often_would_do(conditions, often):
    means = {"bare": [100.0], **{f"filter {n}": [90.0] for n in range(conditions)}}
    sentence = basis_sentence(compared(means))
    # (conditions + 1) (repeats - 1) must be 3 at least.
    assert f"Carry out each condition {often} ([order] repeats in the plan)" in sentence
    assert "[comparison.spread.airflow]" in sentence


def test_in_a_line_the_spread_stands_with_what_it_finds():
    line = rests_on(compared(LOST))
    assert line.startswith("spread 0.15 %, 4 degrees of freedom; found 4 times in 5: ")
    assert line.endswith(" %")


@pytest.mark.parametrize(
    ("others", "words"),
    [
        ({"earlier": {"airflow": ((1, Spread(0.2, 5)),)}}, "with earlier sessions"),
        (
            {
                "rules": ComparisonRules(
                    spreads={"airflow": StatedSpread(0.2, 5.0, "May")}
                )
            },
            "by the plan",
        ),
    ],
)
def test_a_spread_from_elsewhere_is_said_to_be(others, words):
    assert f"5 degrees of freedom {words};" in rests_on(compared(ONCE, **others))


def test_an_unknown_spread_makes_nothing_real():
    assert rests_on(compared(ONCE)) == (
        "spread between trials not known: nothing is called real"
    )


def test_both_figures_of_a_drift_are_told():
    drifting = {"bare": [100.0, 102.0], "filter": [91.0, 93.0]}
    left_in = correction_sentence(compared(drifting))
    assert "was left in, as the plan has it ([comparison] bracketing)" in left_in
    # Against the line through 100 and 102 two trials on: 91 - 101, and 93 - 102 beyond its end.
    assert f"With it taken out the differences would be: filter: {MINUS}9.50" in left_in
    rules = ComparisonRules(bracketing=True)
    taken_out = correction_sentence(compared(drifting, rules=rules))
    assert "was taken out" in taken_out
    assert f"With it left in the differences would be: filter: {MINUS}9.0" in taken_out


def test_a_single_baseline_trial_has_no_drift_to_tell():
    assert correction_sentence(compared(ONCE)) == ""


def test_the_assumed_share_is_named_as_ours():
    assert "error 70 % is taken to be the same" in share_sentence(0.7)
    assert "our assumption, [comparison] common_share" in share_sentence(0.7)


def test_nothing_is_explained_where_nothing_is_compared():
    assert explanations(compare_session(figures_of({}))) == []
    (only,) = explanations(compare_session(figures_of({FLOW: {"filter": [90.0]}})))
    assert only.startswith("U: expanded uncertainty, 95 %")


def test_the_explanations_are_those_of_the_answer():
    found: SessionComparison = compare_session(figures_of({POWER: ALIKE, FLOW: LOST}))
    assert "(0.15 m³/h)" in explanations(found)[0]


@pytest.mark.parametrize(
    ("note", "sentence"),
    [
        (
            "power: it still drifts",
            "trial 3, hose, not settled: power: it still drifts",
        ),
        ("", "trial 3, hose, not settled"),
    ],
)
def test_a_trial_left_out_is_said_with_its_reason(note, sentence):
    assert left_out_sentence(LeftOut(3, "hose", "not settled", note)) == sentence


@pytest.mark.parametrize("named_baseline", ["hose", "bare"])
def test_a_condition_without_an_average_because_of_a_limit_is_named(named_baseline):
    found = figures_of({POWER: ALIKE})
    broken = LeftOut(9, "hose", "limit broken", "power broke its limit")
    again = replace(broken, trial=10)
    figures = replace(found, left_out=(broken, again), baseline=named_baseline)
    baseline = ", the baseline," if named_baseline == "hose" else ""
    *_, named = left_out_sentences(figures)
    assert named == (
        f"hose{baseline} has no average, for a limit broke its trial: it is not asked for again by itself"
    )
    assert len(list(left_out_sentences(figures))) == 3


def test_a_condition_with_another_average_is_not_said_to_have_none():
    found = figures_of({POWER: ALIKE})
    known = next(iter(found.observations.values()))[0].condition
    left_out = (LeftOut(9, known, "limit broken", ""),)
    figures = replace(found, left_out=left_out)
    assert list(left_out_sentences(figures)) == [f"trial 9, {known}, limit broken"]


# ---- figures


def test_what_rounds_to_nothing_has_no_sign():
    assert shown_average(-0.02, 1.3, "V") == "0.0 ± 1.3 V"
    (difference,) = compared(
        {"bare": [100.0, 102.0, 98.0], "filter": [99.999, 102.0, 98.0]}
    ).differences
    assert shown_difference(difference, "m3/h").startswith("0.0 ± ")
    assert shown_percentage(difference).startswith("0.0 ± ")


def test_a_size_is_shown_in_percent_and_in_its_unit():
    assert share_of_baseline(3.0, compared(LOST)) == "3.0 % (3.0 m³/h)"


def test_a_size_far_below_the_unit_is_shown_with_an_exponent():
    assert share_of_baseline(4.5e-17, compared({"bare": [0.0], "x": [0.0]}, DROP)) == (
        "4.5e-17 V"
    )
