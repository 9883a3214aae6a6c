"""What happened, and what was checked before a session: in exports, workbook and report, through the whole program."""

import csv
import io
import json
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest

from daq.checklist.kept import Entry, entry_text
from tests.core.report.read_page import Page
from tests.runtime.recorded_session import Recording
from tests.system.command_line import Daq
from tests.system.recorded_bench import record_session, settled_then_too_short

UTC = "1985-04-12T08:00:00.000Z"
TICK = Entry("hold", "=meter on ports/meter", "yes", UTC)
ZERO = Entry("zero:velocity", "anemometer", "measured", UTC, {"mean_m_per_s": 0.02})
NOTE = "Note from the page: the hose had slipped"
LINES = [entry_text(TICK), entry_text(ZERO)]


def checked_first(session: Recording) -> None:
    """The record begins with the walk, twice as on a second day; a note follows."""
    for line in (*LINES, LINES[0]):
        session.recorder.event("check", line, session.clock.bench_s())
    settled_then_too_short(session)
    session.recorder.event("note", NOTE, session.clock.bench_s())


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return record_session(tmp_path / "bench.db", checked_first)


def test_events_are_a_table_with_kind_and_utc(run: Daq, store: Path) -> None:
    ended = run("export", store, "--table", "events", "--session", "1")
    assert (ended.code, ended.err) == (0, "")
    rows = list(csv.DictReader(io.StringIO(ended.out)))
    assert list(rows[0]) == ["session", "utc", "at_s", "kind", "text"]
    assert [row["kind"] for row in rows] == ["check", "check", "check", "note"]
    # What a spreadsheet would take for a formula is kept from being one.
    assert [row["text"] for row in rows[:2]] == [
        LINES[0].replace(" =", "' ="),
        LINES[1],
    ]
    # Bench second 1000 is 23:20:50.52.
    assert rows[0]["utc"] == "1985-04-12T23:20:50.520Z"
    assert {row["session"] for row in rows} == {"1"}


def test_events_as_json_are_what_the_table_says(run: Daq, store: Path) -> None:
    ended = run("export", store, "--table", "events", "--format", "json")
    events = json.loads(ended.out)["events"]
    assert [event["text"] for event in events] == [*LINES, LINES[0], NOTE]
    assert events[0]["at_s"] == 1000.0


def test_events_of_a_session_that_is_not_there_are_refused(
    run: Daq, store: Path
) -> None:
    ended = run("export", store, "--table", "events", "--session", "7")
    assert ended.code == 2
    assert ended.says_only("no session 7, it holds only 1")


def test_a_workbook_has_a_sheet_of_events(run: Daq, store: Path) -> None:
    file = store.with_name("session.xlsx")
    run("export", store, "--format", "xlsx", "--output", file)
    workbook = openpyxl.load_workbook(file)
    assert workbook.sheetnames[-2:] == ["events", "notes"]
    heading, *rows = workbook["events"].values
    assert heading == ("when (UTC)", "bench clock [s]", "kind", "what happened")
    assert [row[2:] for row in rows[:2]] == [("check", line) for line in LINES]
    assert rows[0][1] == 1000.0
    assert rows[0][0] == datetime(1985, 4, 12, 23, 20, 50, 520_000)  # noqa: DTZ001 - a spreadsheet knows no zones


def test_a_report_lists_what_was_checked_once_each(run: Daq, store: Path) -> None:
    file = store.with_name("report.html")
    run("report", store, "-o", file)
    page = Page(file.read_text(encoding="utf-8"))
    assert "Checked before the session" in page.texts_in("h3")
    assert page.texts_in("th").count("hold") == 1
    assert "zero:velocity" in page.texts_in("th")
    assert "measured: mean_m_per_s = 0.02" in page.texts_in("td")
    # Notes of the session are no checks.
    assert NOTE not in page.all_text
