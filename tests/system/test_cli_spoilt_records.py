"""What a command reads is looked through first, and what is lost of a record is told with what is still possible."""

import asyncio
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from daq.runtime.store.referring import AVERAGES_LOST, READINGS_LOST
from tests.core.report.read_page import Page
from tests.runtime.compared_sessions import ONCE, store_session
from tests.runtime.damaged_stores import pages_of, spoil_page, write_store
from tests.runtime.stored_bench import ask
from tests.system.command_line import Daq

ONLY_EXPORT = "only `daq export` of averages and readings is possible"
SPOILT = {
    "its plan is gone": (
        "UPDATE sessions SET plan_text = '', bench_text = ''",
        "the record of session 1 cannot be read (its plan is lost)",
    ),
    "its plan is no TOML": (
        "UPDATE sessions SET plan_text = '[' || plan_text",
        "the record of session 1 cannot be read (its plan is spoilt: ",
    ),
    "a meter's accuracy has a name that was never written": (
        "UPDATE channels SET accuracy_json = replace(accuracy_json, 'percent_of_r', 'percent_of_,') WHERE name = 'power'",
        "the record of channel power cannot be read (it holds what was never written there)",
    ),
    "a meter's accuracy is cut": (
        "UPDATE channels SET accuracy_json = substr(accuracy_json, 1, 20) WHERE name = 'power'",
        "the record of channel power cannot be read (",
    ),
    "a channel is gone": (
        "DELETE FROM channels WHERE name = 'power'",
        "the record of channel power cannot be read (it is lost)",
    ),
}


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)  # a report is written there
    return tmp_path / "bench.db"


def alter(path: Path, statement: str, *values: object) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement, values)


@pytest.mark.parametrize(
    "words",
    [
        ("export",),
        ("export", "--table", "events"),
        ("export", "--table", "readings", "--format", "json"),
        ("budget",),
        ("compare",),
        ("report", "-o", "report.html"),
        ("reanalyse", "--dry-run"),
        ("predict", "--awg", "12", "--length", "30m"),
    ],
)
def test_a_command_refuses_a_damaged_file_though_it_would_not_meet_the_damage(
    run: Daq, path: Path, words: tuple[str, ...]
) -> None:
    asyncio.run(write_store(path, trials=2, polls=200))
    spoil_page(path, pages_of(path, "readings_gauge")[0])
    before = path.read_bytes()
    command, *options = words
    ended = run(command, path, *options)
    assert (ended.code, ended.out) == (4, "")
    assert ended.says_only("bench.db: it is damaged (", f"`daq salvage {path}`")
    assert path.read_bytes() == before


@pytest.mark.parametrize("command", ["compare", "export", "budget"])
def test_an_empty_file_is_told_from_one_that_is_not_there(
    run: Daq, path: Path, command: str
) -> None:
    path.touch()
    ended = run(command, path)
    assert ended.code == 4
    assert ended.says_only("bench.db: it is empty (0 bytes)", "`daq backup`")
    assert not path.stat().st_size


@pytest.mark.parametrize("what", SPOILT)
@pytest.mark.parametrize("words", [("compare",), ("report", "-o", "report.html")])
def test_a_record_that_is_lost_is_told_with_what_is_still_possible(
    run: Daq, path: Path, what: str, words: tuple[str, ...]
) -> None:
    statement, told = SPOILT[what]
    store_session(path)
    alter(path, statement)
    command, *options = words
    ended = run(command, path, *options)
    assert (ended.code, ended.out) == (4, "")
    assert ended.says_only(f"{path}: {told}", ONLY_EXPORT)
    assert run("export", path).code == 0
    assert run("export", path, "--table", "readings", "--format", "json").code == 0


@pytest.mark.parametrize("what", ["its plan is gone", "a meter's accuracy is cut"])
def test_trials_are_not_judged_again_by_a_record_that_is_lost(
    run: Daq, path: Path, what: str
) -> None:
    statement, told = SPOILT[what]
    store_session(path)
    alter(path, statement)
    for options in ([], ["--dry-run"]):
        ended = run("reanalyse", path, *options)
        assert (ended.code, ended.out) == (4, "")
        assert ended.says_only(f"{path}: {told}", ONLY_EXPORT)
    assert ask(path, "SELECT count(*) FROM analyses") == [(1,)]


def test_the_spread_of_an_earlier_session_without_its_plan_is_passed_over(
    run: Daq, path: Path
) -> None:
    store_session(path)
    store_session(path, ONCE)
    alter(path, "UPDATE sessions SET plan_text = '' WHERE id = 1")
    ended = run("compare", path)
    assert ended.code == 0
    assert "undecided" in ended.out


def test_what_was_lost_when_the_file_was_salvaged_is_told_before_the_figures(
    run: Daq, path: Path
) -> None:
    store_session(path)
    for trial, mark in ((2, READINGS_LOST), (5, READINGS_LOST), (5, AVERAGES_LOST)):
        alter(path, "UPDATE trials SET note = note || ? WHERE id = ?", mark, trial)
    caution = "2 trials of this session (2, 5) lost something when the file was salvaged; their notes say what."
    assert caution in " ".join(run("compare", path).out.split())
    assert caution in run("compare", path, "--markdown").out
    assert json.loads(run("compare", path, "--json").out)["trials_with_losses"] == [
        2,
        5,
    ]
    page = path.with_name("report.html")
    assert run("report", path, "-o", page).code == 0
    told = page.read_text("utf-8")
    assert caution in Page(told).texts_in("p")
    assert told.index(caution) < told.index("<table")


def test_one_trial_that_lost_something_is_told_as_one(run: Daq, path: Path) -> None:
    store_session(path)
    alter(path, "UPDATE trials SET note = ? WHERE id = 3", READINGS_LOST)
    said = " ".join(run("compare", path).out.split())
    assert (
        "1 trial of this session (3) lost something when the file was salvaged; its note says what."
        in said
    )


def test_a_session_that_lost_nothing_has_no_such_caution(run: Daq, path: Path) -> None:
    store_session(path)
    assert "salvaged" not in run("compare", path).out
    assert json.loads(run("compare", path, "--json").out)["trials_with_losses"] == []
