"""The page: what stands first, what is said of what is missing, and that it needs nothing but itself."""

import dataclasses
import re

import pytest

from daq.comparison.session import LeftOut, compare_session
from daq.comparison_words import MINUS
from daq.report.content import (
    Caution,
    Finding,
    Instrument,
    ReportContent,
    Topic,
)
from daq.report.page import render_page
from tests.core.report.made_session import (
    ONCE,
    REAL,
    SAME,
    compared,
    content,
    figures_of,
    trace,
)
from tests.core.report.read_page import Page

ODD = '"><script>alert(1)</script> $x^2$ & \x07co.'
SHOWN = '"><script>alert(1)</script> $x^2$ &  co.'


def page_of(made: ReportContent) -> Page:
    return Page(render_page(made))


def test_the_answer_stands_before_everything_else() -> None:
    page = page_of(content(compared(REAL)))
    names = [name for name, _ in page.elements]
    assert names.index("h1") < names.index("table") < names.index("svg")
    (answer,) = page.texts_in("h1")
    assert answer.endswith("and that is real.")


def test_the_page_is_well_formed() -> None:
    page = page_of(content(compared(REAL)))
    assert page.unbalanced == []


def test_the_same_session_gives_the_same_page() -> None:
    made = content(compared(REAL))
    assert render_page(made) == render_page(made)


@pytest.mark.parametrize(
    ("means", "mark", "word"),
    [
        (REAL, "●", "real"),
        (SAME, "○", "not shown"),
        (ONCE, "◇", "undecided"),
    ],
)
def test_a_verdict_is_told_by_shape_and_word(
    means: dict[str, tuple[float, ...]], mark: str, word: str
) -> None:
    page = page_of(content(compared(means)))
    assert (mark, word) in zip(
        page.texts_in("span"), page.texts_in("span")[1:], strict=False
    )


def test_figures_carry_their_uncertainty_and_unit() -> None:
    cells = page_of(content(compared(REAL))).texts_in("td")
    # By hand: s = 0.1 with 4 degrees of freedom, t = 2.776, U = 2.776 * 0.1 * sqrt(2/3) = 0.227.
    assert f"{MINUS}1.00 ± 0.23 m/s" in cells
    assert f"{MINUS}5.0 ± 1.1 %" in cells


def test_names_and_notes_are_shown_as_they_were_typed() -> None:
    figures = figures_of({"short lead": (20.0, 20.1), ODD: (19.0, 19.1)}, machine=ODD)
    figures = dataclasses.replace(
        figures,
        plan=ODD,
        bench=ODD,
        software=ODD,
        left_out=(LeftOut(9, ODD, "unfinished", ODD),),
        remarks=(ODD,),
    )
    made = content(
        compare_session(figures),
        traces=(dataclasses.replace(trace(condition=ODD), note=ODD),),
        instruments=(Instrument(ODD, ODD, ODD, ODD),),
        plan=((ODD, ODD),),
        rule=((ODD, ODD),),
        findings={Topic.PRICE: Finding((ODD,), ((ODD,), (ODD,)), (ODD,), (ODD,), ODD)},
        cautions=(Caution(ODD, ODD),),
        commands=(ODD,),
        store=ODD,
        host=ODD,
    )
    page = page_of(made)
    assert page.named("script") == []
    assert page.unbalanced == []
    assert page.all_text.count("<script>") >= 20
    assert SHOWN in page.texts_in("li")


def test_the_page_asks_for_nothing() -> None:
    text = render_page(content(compared(REAL)))
    page = Page(text)
    assert {"script", "iframe", "img", "object"}.isdisjoint(
        name for name, _ in page.elements
    )
    addresses = [
        value or ""
        for _, attributes in page.elements
        for key, value in attributes.items()
        if key.rpartition(":")[2] in {"href", "src"}
    ]
    assert [a for a in addresses if not a.startswith(("#", "data:,"))] == []
    assert re.findall(r"url\((?!#)", text) == []
    assert "@import" not in text
    (policy,) = [m for m in page.named("meta") if "http-equiv" in m]
    assert str(policy["content"]).startswith("default-src 'none'")


def test_a_session_without_its_baseline_says_so_and_shows_the_rest() -> None:
    page = page_of(content(compared({"long lead": (19.0, 19.1)})))
    assert "No trial of the baseline" in page.texts_in("h1")[0]
    assert "no baseline" in page.texts_in("td")
    assert "long lead" in page.texts_in("th")


def test_a_session_without_any_average_still_has_a_page() -> None:
    figures = dataclasses.replace(figures_of({}), observations={}, quantities=())
    page = page_of(content(compare_session(figures), traces=()))
    assert "nothing to compare" in page.texts_in("h1")[0]
    assert "How it was measured" in page.texts_in("h2")


def test_a_condition_that_was_not_averaged_stands_in_the_table() -> None:
    figures = figures_of(REAL)
    facts = figures_of({**REAL, "thin lead": ()}).facts
    left_out = (LeftOut(7, "thin lead", "not settled", "velocity drifted"),)
    figures = dataclasses.replace(figures, facts=facts, left_out=left_out)
    page = page_of(content(compare_session(figures)))
    assert "not averaged" in page.texts_in("td")
    assert "velocity drifted" in page.texts_in("td")


def test_what_could_not_be_found_out_says_why() -> None:
    finding = Finding(absent="No prices stand in the plan.")
    page = page_of(content(compared(REAL), findings={Topic.PRICE: finding}))
    assert Topic.PRICE.value in page.texts_in("h2")
    assert "No prices stand in the plan." in page.texts_in("p")


def test_a_topic_nobody_looked_into_has_no_heading() -> None:
    headings = page_of(content(compared(REAL))).texts_in("h2")
    assert Topic.PRICE.value not in headings
    assert Topic.PREDICTION.value not in headings


def test_warnings_are_pointed_to_from_the_top_and_come_first() -> None:
    cautions = (Caution("Coiled."), Caution("Over its rating.", is_warning=True))
    page = page_of(content(compared(REAL), cautions=cautions))
    assert {"href": "#cautions"} in page.named("a")
    texts = page.all_text
    assert texts.index("Over its rating.") < texts.index("Coiled.")
    assert "licensed practice" in texts


def test_cautions_alone_need_no_alarm_at_the_top() -> None:
    page = page_of(content(compared(REAL), cautions=(Caution("Coiled."),)))
    assert page.named("a") == []


def test_a_demonstration_is_called_one() -> None:
    page = page_of(content(compared(REAL), speed=12.0))
    assert "Demonstration" in page.all_text
    assert "Demonstration" not in page_of(content(compared(REAL))).all_text
