"""Which files the store opens, and which it leaves alone."""

import asyncio
import sqlite3
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from daq.errors import StoreError, StoreForeignError, StoreTooNewError
from daq.runtime.store import Store, read_sessions
from daq.runtime.store.opening import connect_writer


async def open_and_close(path: Path) -> None:
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments={}, on_trouble=lambda _: None, loop=loop)
    await store.close()


def content(directory: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in directory.iterdir()}


def set_format(path: Path, number: int) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {number}")


async def test_a_new_file_carries_our_mark_and_its_format(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    await open_and_close(path)
    # SQLite file format, section 1.3: magic at offset 0, user version at 60,
    # application id at 68, both big-endian; versions 2 at 18 and 19 mean WAL.
    head = path.read_bytes()[:100]
    assert head[:16] == b"SQLite format 3\x00"
    assert head[18:20] == b"\x02\x02"
    assert head[60:64] == bytes.fromhex("00000003")
    assert head[68:72] == bytes.fromhex("53744263")


def test_what_is_committed_has_reached_the_disk(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    with closing(connect_writer(path, create=True)) as connection:
        # https://www.sqlite.org/pragma.html#pragma_synchronous: 2 is FULL; in WAL mode NORMAL (1) may
        # lose the last transactions at a power failure.
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA foreign_keys").fetchone() == (1,)


async def test_a_file_is_opened_again_and_left_without_side_files(
    tmp_path: Path,
) -> None:
    path = tmp_path / "what? 100% #1.db"
    await open_and_close(path)
    await open_and_close(path)
    assert list(content(tmp_path)) == [path.name]
    assert read_sessions(path) == []


async def test_an_empty_file_becomes_a_store(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    path.touch()
    await open_and_close(path)
    assert read_sessions(path) == []


async def test_a_database_left_empty_by_a_killed_program_becomes_a_store(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = wal")
    assert path.stat().st_size > 0
    await open_and_close(path)
    assert read_sessions(path) == []


async def test_a_newer_format_is_refused_with_the_remedy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    path = Path("bench.db")
    await open_and_close(path)
    set_format(path, 7)
    before = content(tmp_path)
    text = (
        "bench.db: store format 7, this version reads up to 3:"
        " update the program or name another file"
    )
    with pytest.raises(StoreTooNewError) as caught:
        await open_and_close(path)
    assert str(caught.value) == text
    with pytest.raises(StoreTooNewError):
        read_sessions(path)
    assert content(tmp_path) == before


@pytest.mark.parametrize("journal", ["delete", "wal"])
async def test_a_database_of_another_program_is_left_as_it_was(
    tmp_path: Path, journal: str
) -> None:
    path = tmp_path / "music.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA journal_mode = {journal}")
        connection.execute("CREATE TABLE tracks (title TEXT)")
    before = content(tmp_path)
    with pytest.raises(StoreForeignError, match=r"music\.db: a database of another"):
        await open_and_close(path)
    with pytest.raises(StoreForeignError):
        read_sessions(path)
    assert content(tmp_path) == before


@pytest.mark.parametrize("text", ["a", "SQLite format 2", "utc,power_w\r\n" * 100])
async def test_a_file_that_is_no_database_is_left_as_it_was(
    tmp_path: Path, text: str
) -> None:
    path = tmp_path / "notes.txt"
    path.write_text(text)
    before = content(tmp_path)
    with pytest.raises(StoreForeignError, match=r"notes\.txt: not a results file"):
        await open_and_close(path)
    assert content(tmp_path) == before


async def test_a_missing_directory_is_named(tmp_path: Path) -> None:
    path = tmp_path / "absent" / "bench.db"
    with pytest.raises(StoreError, match=r"bench\.db: no directory .*absent"):
        await open_and_close(path)


async def test_a_directory_is_no_results_file(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="is a directory"):
        await open_and_close(tmp_path)


async def test_a_place_that_takes_no_files_is_named() -> None:
    path = Path("/proc/bench.db")
    with pytest.raises(StoreError, match=r"/proc/bench\.db: unable to open"):
        await open_and_close(path)


def test_asking_a_file_that_is_not_there_makes_none(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    with pytest.raises(StoreError, match=r"bench\.db: no results file there"):
        read_sessions(path)
    assert content(tmp_path) == {}


async def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    path.write_bytes(b"SQLite format 3\x00" + b"\xff" * 500)
    with pytest.raises(StoreError, match=r"bench\.db: "):
        await open_and_close(path)


def test_an_archive_that_cannot_be_written_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    asyncio.run(open_and_close(path))
    path.chmod(0o444)
    tmp_path.chmod(0o555)  # means nothing to the superuser, much to everyone else
    try:
        assert read_sessions(path) == []
    finally:
        tmp_path.chmod(0o755)


async def test_a_file_that_cannot_be_kept_from_writing_is_closed_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bench.db"
    await open_and_close(path)
    made: list[sqlite3.Connection] = []

    class Refusing(sqlite3.Connection):
        """A disk that fails at the question whether the connection may write."""

        def execute(self, sql: str, /, *values: Any) -> sqlite3.Cursor:
            made.append(self)
            if "query_only" in sql:
                msg = "disk I/O error"
                raise sqlite3.OperationalError(msg)
            return super().execute(sql, *values)

    connect = partial(sqlite3.connect, factory=Refusing)
    monkeypatch.setattr(sqlite3, "connect", connect)
    with pytest.raises(StoreError, match="disk I/O error"):
        read_sessions(path)
    assert made
    for connection in made:
        with pytest.raises(sqlite3.ProgrammingError, match="closed"):
            connection.total_changes  # noqa: B018 - refuses once it is closed
