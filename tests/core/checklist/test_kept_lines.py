"""A line of a session's record, back into what was acknowledged."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.checklist.kept import Entry, entry_text, parse_entry_text

UTC = "2026-11-30T08:00:00.000Z"
WORDS = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=40)


@given(about=WORDS, name=st.from_regex(r"[a-z_]+(:[a-z_]+)?", fullmatch=True))
def test_what_an_entry_was_about_comes_back_word_for_word(
    name: str, about: str
) -> None:
    entry = Entry(name, about, "yes", UTC)
    assert parse_entry_text(entry_text(entry)) == entry


def test_figures_come_back_as_they_were_shown() -> None:
    entry = Entry("zero:flow", "vane; at 20 C", "measured", UTC, {"a_v": 0.25, "b": 1})
    assert parse_entry_text(entry_text(entry)) == entry


def test_an_answer_of_several_parts_comes_back_whole() -> None:
    entry = Entry("air", "vane", "20 C, 1013 hPa: stated", "2026-11-30T09:00:00+01:00")
    assert parse_entry_text(entry_text(entry)) == entry


@pytest.mark.parametrize(
    "text",
    [
        "bench.checks.toml: cannot be read: no valid TOML; mend it, or move it away",
        "hold: yes, yesterday; meter",
        f"hold: yes, {UTC}",
        f"hold: yes, {UTC}: mean = much; meter",
        "",
    ],
)
def test_another_line_is_no_entry(text: str) -> None:
    assert parse_entry_text(text) is None
