"""What was acknowledged is found again for the same subject only, and not for ever."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.checklist.kept import (
    A_WORKING_DAY_S,
    FOR_EVER_S,
    Entry,
    Kept,
    entry_text,
    parse_entries,
    render_entries,
)

MORNING = "2026-11-30T08:00:00.000Z"
ENTRY = Entry("hold", "meter on /dev/a", "yes", MORNING)


def kept(now_utc: str, *entries: Entry) -> Kept:
    return Kept(entries or (ENTRY,), now_utc)


def test_what_is_measured_late_in_the_list_is_of_that_moment_and_holds() -> None:
    begun = kept(MORNING)
    measured = "2026-11-30T08:20:00.000Z"
    later = begun.with_entry("zero:velocity", "vane", "measured", measured, {"mean": 0})
    found = later.find("zero:velocity", "vane", holds_s=A_WORKING_DAY_S)
    assert found is not None
    assert found.utc == measured


def test_an_entry_is_one_line_of_a_sessions_record() -> None:
    measured = Entry("pair:b", "a and b", "measured", MORNING, {"difference_v": 0.25})
    assert entry_text(measured) == (
        "pair:b: measured, 2026-11-30T08:00:00.000Z: difference_v = 0.25; a and b"
    )
    assert entry_text(ENTRY) == ("hold: yes, 2026-11-30T08:00:00.000Z; meter on /dev/a")


@pytest.mark.parametrize(
    ("now_utc", "found"),
    [
        (MORNING, ENTRY),
        ("2026-11-30T20:00:00.000Z", ENTRY),
        ("2026-11-30T20:00:00.001Z", None),
        # From the future: one of the two clocks was wrong.
        ("2026-11-30T07:59:59.000Z", None),
    ],
)
def test_an_answer_of_today_holds_for_twelve_hours(
    now_utc: str, found: Entry | None
) -> None:
    looked_for = kept(now_utc).find("hold", "meter on /dev/a", holds_s=A_WORKING_DAY_S)
    assert looked_for == found


def test_an_answer_for_ever_holds_after_years() -> None:
    late = kept("2036-11-30T08:00:00.000Z")
    assert late.find("hold", "meter on /dev/a", holds_s=FOR_EVER_S) == ENTRY


def test_another_subject_is_asked_anew() -> None:
    assert kept(MORNING).find("hold", "meter on /dev/b", holds_s=FOR_EVER_S) is None
    assert kept(MORNING).find("units", "meter on /dev/a", holds_s=FOR_EVER_S) is None


def test_the_newest_answer_takes_the_place_of_the_one_before() -> None:
    evening = "2026-11-30T18:00:00.000Z"
    later = kept(evening).with_entry("hold", "meter on /dev/a", "no", evening)
    other = later.with_entry("hold", "meter on /dev/b", "yes", evening)
    assert [(e.about, e.answer) for e in other.entries] == [
        ("meter on /dev/a", "no"),
        ("meter on /dev/b", "yes"),
    ]


texts = st.text(st.characters(codec="utf-8"), max_size=20)


@pytest.mark.slow
@given(
    texts,
    texts,
    st.dictionaries(
        st.sampled_from(["mean", "count"]),
        st.floats(allow_nan=False, allow_infinity=False),
    ),
)
def test_whatever_was_written_is_read_again(
    about: str, answer: str, figures: dict[str, float]
) -> None:
    entries = (Entry("zero:velocity", about, answer, MORNING, figures), ENTRY)
    assert parse_entries(render_entries(entries)) == entries


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("format = [", "no valid TOML"),
        ("", "format None, expected 1"),
        ("format = 2", "format 2, expected 1"),
        ("format = 1\nacknowledged = 3", "no list of tables"),
        ("format = 1\n[[acknowledged]]\nitem = 1", "acknowledged[1]: expected texts"),
        ("format = 1\n[[acknowledged]]\nby = 'me'", "acknowledged[1]: expected the ke"),
        (
            "format = 1\n[[acknowledged]]\nitem = 'hold'\nabout = ''\nanswer = 'yes'\nutc = 'noon'",
            "utc 'noon', expected a moment",
        ),
        (
            "format = 1\n[[acknowledged]]\nitem = 'hold'\nabout = ''\nanswer = 'yes'\nutc = '2026-11-30'",
            "utc '2026-11-30', expected a moment",
        ),
        (
            f"format = 1\n[[acknowledged]]\nitem = 'hold'\nabout = ''\nanswer = 'yes'\nutc = '{MORNING}'\nfigures = {{ mean = inf }}",
            "table of numbers",
        ),
    ],
)
def test_what_is_no_such_file_is_refused_with_what_is_wrong(
    text: str, problem: str
) -> None:
    with pytest.raises(ValueError, match=r"expected|TOML") as caught:
        parse_entries(text)
    assert problem in str(caught.value)
