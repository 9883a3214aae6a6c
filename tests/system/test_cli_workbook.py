"""`daq export --format xlsx` through the whole program."""

import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from daq.records import TrialState
from tests.runtime.compared_sessions import ONCE, Carried, store_session
from tests.system.command_line import Daq
from tests.system.recorded_bench import record_session, settled_then_too_short


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def sheets_of(run: Daq, store: Path) -> dict[str, list[tuple[Any, ...]]]:
    file = store.with_name("session.xlsx")
    ended = run("export", store, "--format", "xlsx", "--output", file)
    assert (ended.code, ended.out, ended.err) == (0, "", "")
    workbook = openpyxl.load_workbook(file)
    return {sheet.title: list(sheet.values) for sheet in workbook}


def test_a_session_becomes_a_workbook(run: Daq, path: Path) -> None:
    sheets = sheets_of(run, record_session(path, settled_then_too_short))
    assert list(sheets) == [
        "averages",
        "comparison",
        "readings meter",
        "readings anemometer",
        "notes",
    ]
    heading, settled, unfinished = sheets["averages"]
    place = heading.index("power mean [W]")
    assert settled[place] == pytest.approx(1400.0, abs=0.2)
    assert unfinished[place] is None
    powers = [row[5] for row in sheets["readings meter"][1:]]
    assert all(isinstance(power, int | float) for power in powers)


def test_the_notes_say_what_rests_on_what(run: Daq, path: Path) -> None:
    broken = Carried("thin lead", state=TrialState.UNFINISHED, note="=cut short")
    notes = sheets_of(run, store_session(path, (*ONCE[:2], broken)))["notes"]
    assert ("machine", "Drying blower") in notes
    assert ("left out", "trial 3, thin lead, unfinished: =cut short") in notes
    assert any(what == "answer" and "long lead" in text for what, text in notes)


def test_a_plan_that_cannot_be_read_costs_the_comparison_only(
    run: Daq, path: Path
) -> None:
    store_session(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE sessions SET plan_text = 'of another version'")
        connection.commit()
    sheets = sheets_of(run, path)
    assert "comparison" not in sheets
    assert any(
        what == "comparison" and "plan" in text for what, text in sheets["notes"]
    )


def test_a_workbook_needs_a_file(run: Daq, path: Path) -> None:
    ended = run("export", path, "--format", "xlsx")
    assert ended.code == 2
    assert "expected --output FILE.xlsx" in ended.err


def test_a_workbook_holds_every_table(run: Daq, path: Path) -> None:
    ended = run("export", path, "--format", "xlsx", "--table", "readings")
    assert ended.code == 2
    assert "expected it without --table" in ended.err


def test_an_existing_file_is_not_written_over(run: Daq, path: Path) -> None:
    file = path.with_name("a.xlsx")
    file.write_bytes(b"mine")
    ended = run("export", store_session(path), "--format", "xlsx", "--output", file)
    assert ended.code == 2
    assert ended.says_only("there already")
    assert file.read_bytes() == b"mine"


def test_without_the_library_it_says_what_to_install(
    run: Daq, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "xlsxwriter", None)
    file = path.with_name("a.xlsx")
    ended = run("export", store_session(path), "--format", "xlsx", "--output", file)
    assert ended.code == 2
    assert ended.says_only("pip install xlsxwriter")
    assert list(path.parent.glob("*.xlsx*")) == []
