"""A comparison as CSV, JSON and Markdown: all the facts, full precision, and names that nothing obeys."""

import csv
import io
import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.comparison.rules import ComparisonRules
from daq.comparison.session import LeftOut, SessionComparison, compare_session
from daq.comparison.spread import StatedSpread
from daq.comparison_tables import (
    compared_rows,
    comparison_content,
    plain_text,
    render_comparison_csv,
    render_comparison_json,
    render_comparison_markdown,
    tables_by_quantity,
    texts_aligned,
    titled,
)
from daq.comparison_words import MINUS
from tests.core.comparison.sessions import FLOW, POWER, Means, figures_of

LOST = {"bare": [100.0, 100.2, 99.9], "filter": [90.0, 90.2, 89.9]}
ONCE = {"bare": [100.0], "filter": [90.0]}
MARKUP = "*bold* | <b>x</b> & `code` [link](y) _it_ #1 ~~no~~ $x$"


def session(means: Means = LOST, **others: object) -> SessionComparison:
    return compare_session(replace(figures_of({FLOW: means}), **others))  # type: ignore[arg-type]  # fields of the record


def csv_rows(comparison: SessionComparison) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(render_comparison_csv(comparison))))


def markdown(comparison: SessionComparison) -> list[str]:
    return render_comparison_markdown(comparison).splitlines()


def test_a_mean_below_zero_has_the_sign_of_the_differences():
    means = {"bare": [-0.1, -0.2, -0.1], "filter": [-1.0, -1.1, -0.9]}
    ((_, rows),) = tables_by_quantity(session(means))
    assert rows[1][1].startswith(MINUS)
    assert not any("-" in cell for row in rows[1:] for cell in row)


# ---- rows


def test_there_is_a_row_a_quantity_and_condition_the_answers_first():
    rows = compared_rows(compare_session(figures_of({POWER: LOST, FLOW: LOST})))
    assert [(row.quantity, row.condition) for row in rows] == [
        ("airflow", "bare"),
        ("airflow", "filter"),
        ("power", "bare"),
        ("power", "filter"),
    ]


def test_the_baselines_row_has_a_level_and_nothing_to_compare():
    bare, _ = compared_rows(session())
    assert bare.is_baseline
    assert bare.trials == "1 3 5"
    assert bare.mean == pytest.approx(100.1 - 0.2 / 3.0)
    assert (bare.difference, bare.verdict, bare.spread) == (None, None, None)


def test_a_conditions_row_has_all_that_was_found():
    comparison = session()
    _, row = compared_rows(comparison)
    (found,) = comparison.comparisons[0].differences
    assert row.difference == found.difference == pytest.approx(-10.0)
    assert row.ratio == found.ratio
    assert row.verdict == "real"
    assert (row.least_real, row.detectable) == (found.least_real, found.detectable)
    assert row.spread_degrees_of_freedom == 4
    assert row.spread_source == "this session's repeats"
    assert row.is_drift_corrected is False
    assert row.other_difference is not None


def test_undecided_has_the_spread_at_which_it_vanishes_and_none_that_was_used():
    _, row = compared_rows(session(ONCE))
    assert row.verdict == "undecided"
    assert (row.least_real, row.detectable, row.spread) == (None, None, None)
    # 10 / (1.96 sqrt(2)), less next to nothing for the scatter within.
    assert row.vanishing_spread == pytest.approx(3.608, abs=0.001)


# ---- CSV


def test_csv_keeps_full_precision_and_empty_cells():
    bare, filter_ = csv_rows(session({"bare": [1.0 / 3.0], "filter": [0.25]}))
    assert float(bare["mean"]) == 1.0 / 3.0
    assert bare["difference"] == bare["verdict"] == ""
    assert float(filter_["difference"]) == pytest.approx(0.25 - 1.0 / 3.0)


def test_a_name_that_a_spreadsheet_would_calculate_is_kept_from_it():
    *_, row = csv_rows(session({"bare": [1.0], "=1+1": [2.0]}))
    assert row["condition"] == "'=1+1"


def test_markup_and_commas_pass_through_csv_as_they_are():
    *_, row = csv_rows(session({"bare": [1.0], f'a "b", {MARKUP}': [2.0]}))
    assert row["condition"] == f'a "b", {MARKUP}'


def test_without_trials_csv_is_a_heading():
    assert csv_rows(compare_session(figures_of({}))) == []
    assert render_comparison_csv(compare_session(figures_of({}))).startswith("session,")


# ---- JSON


def test_json_holds_the_same_rows_the_answer_and_what_was_left_out():
    comparison = session(
        left_out=(LeftOut(9, "hose", "not settled", "it swings"),),
        remarks=("airflow is not derived",),
    )
    content = json.loads(render_comparison_json(comparison, repeats=[1]))
    assert content["format"] == 1
    assert content["answer"]["quantity"] == "airflow"
    assert len(content["answer"]["sentences"]) == 1
    assert [row["condition"] for row in content["comparison"]] == ["bare", "filter"]
    assert content["left_out"] == [
        {"trial": 9, "condition": "hose", "state": "not settled", "note": "it swings"}
    ]
    assert content["remarks"] == ["airflow is not derived"]
    assert content["repeats"] == [1]


def test_what_is_not_finite_is_null():
    rules = ComparisonRules(
        spreads={"airflow": StatedSpread(0.5, math.inf, "the maker")}
    )
    comparison = compare_session(figures_of({FLOW: ONCE}, rules=rules))
    content = json.loads(render_comparison_json(comparison))
    assert content["comparison"][1]["spread_degrees_of_freedom"] is None
    assert content["comparison"][1]["verdict"] == "real"


def test_a_session_with_nothing_settled_is_a_document_all_the_same():
    content = comparison_content(compare_session(figures_of({})))
    assert content["comparison"] == []
    assert content["answer"] == {
        "quantity": None,
        "sentences": [
            "No trial of this session was averaged: there is nothing to compare."
        ],
    }


# ---- tables for people


def test_a_table_is_in_one_unit_and_says_which():
    ((quantity, rows),) = tables_by_quantity(session())
    assert titled(quantity) == "Airflow in m³/h"
    assert rows[0] == ("condition", "mean ± U", "difference", "in %", "verdict")
    assert rows[1][2:] == ("", "", "baseline")
    assert rows[2][0] == "filter"
    assert rows[2][3].endswith("10.00 ± 0.33")
    assert rows[2][4] == "real"
    assert "m³/h" not in "".join(rows[2])


def test_a_ratio_has_a_title_without_a_unit():
    assert titled(replace(FLOW, title="Power factor", unit="1")) == "Power factor"


def test_without_a_baseline_the_table_says_so():
    ((_, rows),) = tables_by_quantity(session({"filter": [90.0, 90.1]}))
    assert rows[1][2:] == ("", "", "no baseline")


def test_columns_stand_under_each_other():
    assert texts_aligned([("a", "mean"), ("longer", "2")]) == [
        "a       mean",
        "longer  2",
    ]


def test_a_terminal_obeys_no_name():
    assert plain_text("a\nb\x1b[31m\tc  d") == "a b [31m c d"
    (line,) = texts_aligned([("\x1b]0;x\x07", "1")])
    assert line == "]0;x  1"


# ---- Markdown


def test_markdown_holds_answer_tables_basis_and_what_was_left_out():
    lines = markdown(
        session(
            left_out=(LeftOut(9, "hose", "not settled", "it swings"),),
            remarks=("something is missing",),
        )
    )
    assert lines[0] == "## Duct fan: compared with bare"
    assert any(line.startswith("- filter: 10.00 ± 0.33 % less") for line in lines)
    table = lines.index("### Airflow in m³/h") + 2
    assert lines[table : table + 2] == [
        "| condition | mean ± U | difference | in % | verdict |",
        "| --- | --- | --- | --- | --- |",
    ]
    assert lines[table + 3].startswith("| filter | ")
    assert lines[table + 5].startswith("spread 0.15 %, 4 degrees of freedom")
    assert "- something is missing" in lines
    assert "- trial 9, hose, not settled: it swings" in lines


def test_names_with_markup_are_shown_as_they_are():
    text = render_comparison_markdown(session({"bare": [1.0], MARKUP: [2.0]}))
    row = next(line for line in text.splitlines() if line.startswith("| \\*bold"))
    # CommonMark 0.31.2, 2.4: a backslash before ASCII punctuation makes it literal.
    assert row.startswith(
        r"| \*bold\* \| \<b\>x\</b\> \& \`code\` \[link\](y) \_it\_ \#1 \~\~no\~\~ \$x\$ | "
    )
    assert row.replace("\\|", "").count("|") == 6
    assert "<b>" not in text.replace("\\<b\\>", "")


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("1. lead", r"- 1\. lead: "),
        ("2) lead", r"- 2\) lead: "),
        ("- lead", r"- \- lead: "),
        ("+ lead", r"- \+ lead: "),
        ("1.5 mm²", "- 1.5 mm²: "),
    ],
)
def test_a_name_does_not_begin_a_list_of_its_own(name, shown):
    lines = markdown(session({"bare": [100.0], name: [90.0]}))
    assert any(line.startswith(shown) for line in lines)


@given(st.text(min_size=1, max_size=20))
def test_no_name_breaks_the_table(name):
    if name.strip() in {"", "bare"}:
        return
    comparison = session({"bare": [1.0], name: [2.0]})
    rows = [line for line in markdown(comparison) if line.startswith("| ")]
    assert len(rows) == 4
    for row in rows:
        assert row.replace("\\\\", "").replace("\\|", "").count("|") == 6
