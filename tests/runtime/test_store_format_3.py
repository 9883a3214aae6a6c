"""Files of the formats before: readable as they lie, and whole after they were brought up to date."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from daq.errors import StoreError
from daq.runtime.store import (
    read_analyses,
    read_budgets,
    read_readings,
    read_sessions,
    read_trial_averages,
    read_trials,
)
from daq.runtime.store.compared import read_session_figures
from daq.runtime.store.edges import read_session_edges
from daq.runtime.store.format_3 import to_format_3
from daq.runtime.store.replay import replaying
from tests.runtime.stored_bench import ask, begin_trial, opened, result

VECTORS = Path(__file__).parent.parent / "vectors"
OLDER = [1, 2]


def old_file(folder: Path, number: int) -> Path:
    path = folder / "old.db"
    dump = (VECTORS / f"store_format_{number}.sql").read_text(encoding="utf-8")
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(dump)
    return path


def everything(path: Path) -> list[object]:
    """All that is read of a file."""
    sessions = read_sessions(path)
    analyses = read_analyses(path)
    return [
        sessions,
        [read_trials(path, each.session) for each in sessions],
        [read_trial_averages(path, each.session) for each in sessions],
        [read_budgets(path, session=each.session) for each in sessions],
        [read_session_edges(path, each.session) for each in sessions],
        [(r.instrument, r.header, list(r.rows)) for r in read_readings(path)],
        [
            read_trials(path, each.session, analysis=each.analysis)
            + read_trial_averages(path, each.session, analysis=each.analysis)
            for each in analyses
        ],
    ]


def old_rows(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """The contents of every table of a file of format 2, in the columns that it has there."""
    with closing(sqlite3.connect(":memory:")) as old:
        dump = VECTORS / "store_format_2.sql"
        old.executescript(dump.read_text(encoding="utf-8"))
        tables = old.execute(
            "SELECT m.name, group_concat('\"' || c.name || '\"') FROM sqlite_master m,"
            " pragma_table_info(m.name) c WHERE m.type = 'table'"
            " AND m.name NOT LIKE '%sqlite%' GROUP BY m.name"
        ).fetchall()
    return {
        name: ask(path, f'SELECT {columns} FROM "{name}" ORDER BY rowid')  # noqa: S608 - names of the dump
        for name, columns in tables
    }


@pytest.mark.parametrize("number", OLDER)
def test_a_file_of_a_format_before_is_read_without_being_altered(
    tmp_path: Path, number: int
) -> None:
    path = old_file(tmp_path, number)
    before = path.read_bytes()
    sessions, trials, *_ = everything(path)
    assert sessions
    assert trials
    assert path.read_bytes() == before


@pytest.mark.parametrize("number", OLDER)
async def test_a_file_of_a_format_before_says_the_same_when_it_is_up_to_date(
    tmp_path: Path, number: int
) -> None:
    path = old_file(tmp_path, number)
    before = everything(path)
    async with opened(path):
        pass
    assert everything(path) == before
    assert ask(path, "PRAGMA user_version") == [(3,)]
    assert ask(path, "PRAGMA foreign_key_check") == []
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]


async def test_nothing_that_format_2_holds_is_changed(tmp_path: Path) -> None:
    path = old_file(tmp_path, 2)
    before = old_rows(path)
    async with opened(path, {}):
        pass
    assert len(before) > 10
    assert old_rows(path) == before


@pytest.mark.parametrize("number", OLDER)
async def test_what_is_added_stands_where_it_stands_in_a_new_file(
    tmp_path: Path, number: int
) -> None:
    old, new = old_file(tmp_path, number), tmp_path / "new.db"
    for path in (old, new):
        async with opened(path):
            pass
    question = (
        'SELECT m.name, c.name, c.type, c."notnull", c.dflt_value FROM sqlite_master m,'
        " pragma_table_info(m.name) c WHERE m.type IN ('table', 'view')"
        " AND m.name NOT LIKE 'readings_gauge%' ORDER BY 1, c.cid"
    )
    assert ask(old, question) == ask(new, question)


async def test_an_unfinished_session_of_format_2_goes_on(tmp_path: Path) -> None:
    path = old_file(tmp_path, 2)
    async with opened(path) as store:
        found = await store.open_session("leads")
        assert found is not None
        assert (found.facts.number, found.skipped, found.paused) == (
            2,
            frozenset(),
            False,
        )
        assert found.numbers == {"7b1": 3, "7b2": 4}
        # The note at 215 s is the last that is known of it; at 50 s it was 10:00.
        assert found.worked_on_utc == "2026-01-07T10:02:45.000Z"
        assert [running.number for running in found.running] == [4]
        assert store.next_reading == 44
        await store.mark_unfinished(4, "the program was ended")
        trial = await begin_trial(store, 2, 3, uuid="7b3", at_s=300.0)
        ended = result("7b3", ended_s=400.0)
        await store.end_trial(trial, ended, rule_json="{}", outbox=None)
    assert [each.trial for each in read_trials(path, 2)] == [3, 4, 5]


async def test_a_session_of_format_1_was_last_worked_on_when_its_last_trial_ended(
    tmp_path: Path,
) -> None:
    async with opened(old_file(tmp_path, 1)) as store:
        (found,) = await store.open_sessions()
    # Its second trial ended at 350 s; 100 s is the moment of RFC 3339's example, 23:20:50.52.
    assert found.worked_on_utc == "1985-04-12T23:25:00.520Z"
    assert (found.done, found.total) == (1, 2)


async def test_every_reading_and_gap_of_format_2_lies_in_the_span_of_its_session(
    tmp_path: Path,
) -> None:
    path = old_file(tmp_path, 2)
    async with opened(path):
        pass
    spans = {
        session: (first, last, first_gap, last_gap)
        for session, first, last, first_gap, last_gap in ask(
            path,
            "SELECT session_id, first_seq, last_seq, first_gap, last_gap FROM spans",
        )
    }
    # Session 1: readings 1 to 34 and both gaps, with what came before, between and after its trials.
    assert spans[1] == (1, 34, 1, 2)
    # Session 2, left open, goes to the end of the file, and begins at 35 at the latest.
    first, last, *_ = spans[2]
    assert int(str(first)) <= 35
    assert last == 43


@pytest.mark.parametrize("number", OLDER)
async def test_nothing_of_an_older_file_is_thinned_and_what_comes_after_is(
    tmp_path: Path, number: int
) -> None:
    path = old_file(tmp_path, number)
    before = [(r.instrument, list(r.rows)) for r in read_readings(path)]
    async with opened(path) as store:
        await store.add_clock("later", monotonic_s=0.0, utc_us=2**51, speed=1.0)
        assert await store.thin(older_than_s=0.0, every_s=1e9) == 0
    assert [(r.instrument, list(r.rows)) for r in read_readings(path)] == before


def test_a_file_of_format_2_is_compared_and_judged_again_as_it_lies(
    tmp_path: Path,
) -> None:
    path = old_file(tmp_path, 2)
    figures = read_session_figures(path, 1)
    # The second was not taken to 230 V, and is kept apart.
    assert [o.mean for o in figures.observations["power"]] == [1383.2]
    with replaying(path, keeping=False) as replay:
        (first, second) = replay.session(1).trials
    assert (first.number, second.judged_before) == (1, 33)


async def test_a_step_that_fails_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = old_file(tmp_path, 2)
    before = everything(path)

    def broken(db: Database) -> None:
        to_format_3(db)
        text = "disk I/O error"
        raise sqlite3.OperationalError(text)

    with monkeypatch.context() as patch:
        patch.setattr("daq.runtime.store.schema.to_format_3", broken)
        with pytest.raises(StoreError, match="disk I/O error"):
            async with opened(path):
                pass
    assert ask(path, "PRAGMA user_version") == [(2,)]
    assert ask(path, "SELECT 1 FROM sqlite_master WHERE name = 'spans'") == []
    assert everything(path) == before
    async with opened(path) as store:
        assert await store.open_session("leads") is not None


async def test_sessions_of_which_nothing_is_known_do_not_stop_the_step(
    tmp_path: Path,
) -> None:
    path = old_file(tmp_path, 2)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA foreign_keys = off")
        for table in ("averages", "contributions", "analysed_trials", "gaps"):
            connection.execute(f"DELETE FROM {table}")  # noqa: S608 - names above
        for table in ("events", "readings_meter", "readings_gauge", "trials", "clocks"):
            connection.execute(f"DELETE FROM {table}")  # noqa: S608 - names above
        connection.execute("UPDATE sessions SET started_utc = 'no time'")
    async with opened(path) as store:
        assert store.next_reading == 1
        (found,) = await store.open_sessions()
    assert found.worked_on_utc == "no time"
