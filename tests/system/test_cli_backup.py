"""`daq backup`: a checked copy of a results file, also while a service writes it."""

import asyncio
import json
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.runtime.damaged_stores import all_rows, pages_of, spoil_page, write_store
from tests.system.command_line import Daq


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "bench.db"
    asyncio.run(write_store(path, trials=2, polls=300))
    return path


def test_a_copy_is_made_and_described(run: Daq, store: Path) -> None:
    copy = store.with_name("copy.db")
    ended = run("backup", store, copy)
    assert (ended.code, ended.err) == (0, "")
    # The last reading is gauge's: at 200 s + 299 / 2 s + 0.1 s; second 100 is the moment of RFC 3339's example.
    assert (
        "sessions: 2; readings: 1200, the last of 1985-04-12T23:25:00.120Z" in ended.out
    )
    assert all_rows(copy) == all_rows(store)


def test_programs_are_told_in_json(run: Daq, store: Path) -> None:
    copy = store.with_name("copy.db")
    ended = run("backup", store, copy, "--json")
    assert json.loads(ended.out) == {
        "store": str(store),
        "file": str(copy),
        "size_bytes": copy.stat().st_size,
        "sessions": 2,
        "readings": 1200,
        "newest_reading_utc": "1985-04-12T23:25:00.120Z",
    }


def test_a_file_that_is_there_is_refused(run: Daq, store: Path) -> None:
    ended = run("backup", store, store)
    assert ended.code == 2
    assert ended.says_only("bench.db: it is there already, name another file")


def test_a_damaged_file_is_not_copied_and_the_remedy_is_named(
    run: Daq, store: Path
) -> None:
    spoil_page(store, pages_of(store, "readings_meter")[0])
    ended = run("backup", store, store.with_name("copy.db"))
    assert ended.code == 4
    assert ended.says_only("bench.db: it is damaged", f"`daq salvage {store}`")
    assert not store.with_name("copy.db").exists()


def test_a_file_that_is_not_there_is_the_stores_fault(run: Daq, tmp_path: Path) -> None:
    ended = run("backup", tmp_path / "absent.db", tmp_path / "copy.db")
    assert ended.code == 4
    assert ended.says_only("absent.db: no results file there")


def test_a_copy_is_not_laid_down_as_the_stores_own_log(run: Daq, store: Path) -> None:
    ended = run("backup", store, store.with_name("bench.db-wal"))
    assert ended.code == 2
    assert ended.says_only("bench.db-wal: it would be taken for a part of bench.db")
    assert run("export", store, "--table", "sessions").code == 0


@pytest.mark.parametrize("command", ["backup", "compare", "export", "salvage"])
def test_a_pipe_is_no_results_file_and_nobody_waits_for_it(
    run: Daq, tmp_path: Path, command: str
) -> None:
    os.mkfifo(tmp_path / "bench.db")
    further = [tmp_path / "copy.db"] if command in {"backup", "salvage"} else []
    ended = run(command, tmp_path / "bench.db", *further)
    assert ended.code == (2 if command == "salvage" else 4)
    assert ended.says_only("bench.db: ", "it is a pipe")


@pytest.mark.parametrize("command", ["backup", "compare", "export", "reanalyse"])
def test_a_journal_that_lies_beside_a_store_is_refused_by_every_command(
    run: Daq, store: Path, command: str
) -> None:
    store.with_name("bench.db-journal").write_bytes(b"\xd9\xd5\x05\xf9" * 200)
    before = store.read_bytes()
    further = [store.with_name("copy.db")] if command == "backup" else []
    ended = run(command, store, *further)
    assert ended.code == 4
    assert ended.says_only("bench.db-journal lies beside it", "move", "keep both files")
    assert store.read_bytes() == before


@pytest.mark.slow
def test_a_store_that_another_program_keeps_locked_is_refused_with_what_to_do(
    run: Daq, store: Path
) -> None:
    with closing(sqlite3.connect(store, isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode = exclusive")
        other.execute("BEGIN EXCLUSIVE")
        ended = run("backup", store, store.with_name("copy.db"))
    assert ended.code == 4
    assert ended.says_only(
        "another program holds it (database is locked)",
        "close it there and try again",
    )
