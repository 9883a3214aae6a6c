"""Text becomes HTML that shows it, whatever it holds."""

from hypothesis import given
from hypothesis import strategies as st

from daq.printable import printable
from daq.report.markup import Markup, element, escaped, joined
from tests.core.report.read_page import Page


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"])).map(printable))
def test_any_text_comes_out_as_it_was_typed(text: str) -> None:
    page = Page(element("p", f"[{text}]"))
    assert "".join(t for _, t in page.texts).split() == f"[{text}]".split()
    assert [name for name, _ in page.elements] == ["p"]


def test_a_name_cannot_leave_its_attribute() -> None:
    page = Page(element("p", "x", data_label='a" onclick="b'))
    assert page.named("p") == [{"data-label": 'a" onclick="b'}]


def test_markup_is_not_escaped_again() -> None:
    assert joined([element("b", "<"), "<"]) == "<b>&lt;</b>&lt;"
    assert escaped(Markup("<b>")) == "<b>"


def test_what_no_page_may_hold_becomes_a_space() -> None:
    assert escaped("a\x00b\x1b\ud800c") == "a b  c"


def test_an_empty_attribute_is_left_out() -> None:
    assert element("p", "x", class_="") == "<p>x</p>"
