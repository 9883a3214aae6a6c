"""What was walked through before a session, on its page."""

import dataclasses

from daq.report.content import Checked
from daq.report.method import method_section
from daq.report.redacting import LEFT_OUT, Private, Redaction, redacted
from tests.core.report.made_session import REAL, compared, content
from tests.core.report.read_page import Page

HEADING = "Checked before the session"
UTC = "2026-11-30T08:00:00.000Z"
WALKED = (
    Checked("hold", "yes", UTC, "meter on ports/mains"),
    Checked("zero:flow", "measured: mean_m_per_s = 0.02", UTC, "vane <at rest>"),
    Checked("not read", "bench.checks.toml: cannot be read"),
)


def page_of(checked: tuple[Checked, ...], redaction: Redaction | None = None) -> Page:
    made = content(compared(REAL), checked=checked, plan=(("baseline", "short lead"),))
    return Page(method_section(redacted(made, redaction) if redaction else made))


def test_each_item_stands_below_the_plan_with_answer_moment_and_subject() -> None:
    page = page_of(WALKED)
    assert page.unbalanced == []
    titles = page.texts_in("h3")
    assert titles.index(HEADING) == titles.index("Plan") + 1
    for item in WALKED:
        assert item.item in page.texts_in("th")
        told = [part for part in (item.answer, item.utc, item.about) if part]
        assert all(part in page.texts_in("td") for part in told)


def test_where_nothing_was_checked_the_page_does_not_speak_of_it() -> None:
    assert HEADING not in page_of(()).texts_in("h3")


def test_a_published_page_tells_what_was_checked_but_no_port() -> None:
    known = Redaction(frozenset(), {Private.PATHS: ("ports/mains",)})
    page = page_of(WALKED, known)
    assert f"meter on {LEFT_OUT}" in page.texts_in("td")
    assert "ports/mains" not in page.all_text
    kept = dataclasses.replace(known, kept=frozenset(Private))
    assert "meter on ports/mains" in page_of(WALKED, kept).texts_in("td")
