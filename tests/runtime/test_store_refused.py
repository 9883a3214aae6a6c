"""What is refused before SQLite opens a file, and what is advised where SQLite refuses it: nothing is changed by it."""

import asyncio
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

import pytest

from daq.errors import StoreError
from daq.runtime.store import Store, read_sessions
from daq.runtime.store.copying import copy_store
from daq.runtime.store.opening import altering_store, connect_writer, prepare_store
from daq.runtime.store.refusing import StrangeJournalError
from daq.runtime.store.salvaged import salvage_store
from daq.runtime.store.schema import migrate
from tests.runtime.damaged_stores import BENCH, kept_store
from tests.runtime.stored_bench import add_clock, ask, opened

AT_ONCE = pytest.mark.timeout(20)
"""What waits for whoever writes into a pipe waits for ever."""


def alter(path: Path) -> None:
    with altering_store(path):
        pass


OPENED: dict[str, Callable[[Path], object]] = {
    "read": read_sessions,
    "backed up": lambda path: copy_store(path, path.with_name("copy.db")),
    "started on": lambda path: prepare_store(path, BENCH),
    "altered": alter,
}
by_everyone = pytest.mark.parametrize(
    "open_it", OPENED.values(), ids=list(OPENED.keys())
)


def contents(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def journal_of(path: Path) -> Path:
    return path.with_name(f"{path.name}-journal")


def left_journal(folder: Path) -> bytes:
    """What a program leaves that is killed while it fills a new database: it says that the file was empty before."""
    other = folder / "other.db"
    with closing(sqlite3.connect(other, isolation_level=None)) as connection:
        connection.execute("PRAGMA cache_size = 2")
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("CREATE TABLE t (x)")
        for _ in range(300):
            connection.execute("INSERT INTO t VALUES (randomblob(500))")
        left = journal_of(other).read_bytes()
    other.unlink()
    assert left[:8] == bytes.fromhex("d9d505f920a163d7")
    return left


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return kept_store(tmp_path, 3)


@pytest.fixture
def left(tmp_path: Path) -> bytes:
    return left_journal(tmp_path)


def test_sqlite_itself_empties_a_store_beside_which_such_a_journal_lies(
    path: Path, left: bytes
) -> None:
    journal_of(path).write_bytes(left)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT * FROM sqlite_master").fetchall() == []
    assert path.stat().st_size == 0


@by_everyone
def test_a_journal_that_is_none_of_its_own_is_refused_and_nothing_is_changed(
    path: Path, left: bytes, open_it: Callable[[Path], object]
) -> None:
    journal_of(path).write_bytes(left)
    before = contents(path.parent)
    with pytest.raises(
        StrangeJournalError,
        match=r"bench\.db-journal lies beside it.*move .*keep both.*daq salvage",
    ):
        open_it(path)
    assert contents(path.parent) == before


@by_everyone
def test_a_journal_beside_the_file_that_a_link_leads_to_is_refused_too(
    path: Path, left: bytes, open_it: Callable[[Path], object], tmp_path: Path
) -> None:
    journal_of(path).write_bytes(left)
    link = tmp_path / "elsewhere" / "link.db"
    link.parent.mkdir()
    link.symlink_to(path)
    before = path.read_bytes()
    with pytest.raises(StrangeJournalError):
        open_it(link)
    assert path.read_bytes() == before


@by_everyone
def test_a_journal_beside_a_file_whose_mark_stands_in_its_log_only_is_refused(
    path: Path, left: bytes, open_it: Callable[[Path], object]
) -> None:
    made = path.parent / "made" / "bench.db"
    made.parent.mkdir()
    # While it is open nothing is taken from the log into the file, as after a kill.
    with closing(connect_writer(made, create=True)) as connection:
        migrate(connection)
        for file in (made, made.with_name("bench.db-wal")):
            shutil.copyfile(file, path.with_name(file.name))
    shutil.rmtree(made.parent)
    # SQLite, "Database File Format", section 1.3: the application's mark is at 68.
    assert path.read_bytes()[68:72] == bytes(4)
    journal_of(path).write_bytes(left)
    before = contents(path.parent)
    with pytest.raises(StrangeJournalError):
        open_it(path)
    assert contents(path.parent) == before


def test_once_the_journal_is_moved_away_all_is_as_it_was(
    path: Path, left: bytes, tmp_path: Path
) -> None:
    sessions = read_sessions(path)
    journal_of(path).write_bytes(left)
    salvage_store(path, path.with_name("new.db"))
    assert read_sessions(path.with_name("new.db")) == sessions
    journal_of(path).rename(tmp_path / "moved-away")
    assert read_sessions(path) == sessions


def test_an_empty_journal_says_nothing(path: Path) -> None:
    sessions = read_sessions(path)
    journal_of(path).touch()
    assert read_sessions(path) == sessions


async def test_a_journal_of_a_file_that_is_still_being_made_is_its_own(
    tmp_path: Path, left: bytes
) -> None:
    path = tmp_path / "new.db"
    path.write_bytes(bytes(4096))
    journal_of(path).write_bytes(left)
    async with opened(path, BENCH) as store:
        await add_clock(store)
    assert ask(path, "SELECT count(*) FROM clocks") == [(1,)]
    assert not journal_of(path).exists()


async def test_a_store_with_a_spoilt_head_and_a_journal_is_damaged_and_not_made_anew(
    path: Path, left: bytes
) -> None:
    with path.open("r+b") as file:
        file.write(b"PK\x03\x04")
    journal_of(path).write_bytes(left)
    before = contents(path.parent)
    with pytest.raises(StoreError, match="its head is spoilt"):
        prepare_store(path, BENCH)
    assert contents(path.parent) == before


@pytest.mark.slow
async def test_a_writer_that_has_to_open_the_file_anew_waits_until_the_journal_is_gone(
    path: Path, left: bytes, tmp_path: Path
) -> None:
    told: list[str | None] = []
    loop = asyncio.get_running_loop()
    store = Store.open(path, instruments=BENCH, on_trouble=told.append, loop=loop)
    before = ask(path, "SELECT count(*) FROM clocks")
    with suppress(StoreError):  # closes the connection
        await store.touch_session(99, "never")
    journal_of(path).write_bytes(left)
    adding = loop.create_task(add_clock(store))
    async with asyncio.timeout(20):
        while not told:  # noqa: ASYNC110 - files do not tell
            await asyncio.sleep(0.01)
        assert "bench.db-journal lies beside it" in str(told[0])
        assert not adding.done()
        journal_of(path).rename(tmp_path / "moved-away")
        await adding
    await store.close()
    assert told[1:] == [None]
    (count,) = before[0]
    assert ask(path, "SELECT count(*) FROM clocks") == [(int(str(count)) + 1,)]


# ---- what is no file


def pipe(path: Path) -> None:
    os.mkfifo(path)


def listening(path: Path) -> None:
    with closing(socket.socket(socket.AF_UNIX)) as sock:
        sock.bind(str(path))


@AT_ONCE
@pytest.mark.parametrize(
    ("make", "kind"),
    [(pipe, "a pipe"), (Path.mkdir, "a directory"), (listening, "a socket")],
)
@by_everyone
def test_what_is_no_regular_file_is_refused_at_once_with_its_kind(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    make: Callable[[Path], None],
    kind: str,
    open_it: Callable[[Path], object],
) -> None:
    monkeypatch.chdir(tmp_path)  # the name of a socket is short
    make(Path("bench.db"))
    with pytest.raises(StoreError, match=f"it is {kind}, expected a regular file"):
        open_it(Path("bench.db"))


@AT_ONCE
@by_everyone
def test_a_device_is_no_results_file(open_it: Callable[[Path], object]) -> None:
    with pytest.raises(StoreError, match="it is a device"):
        open_it(Path("/dev/zero"))


# ---- what SQLite refuses

AS_NOBODY = """
import os, sys
from pathlib import Path
from daq.errors import StoreError
from daq.runtime.store import read_sessions
path = Path(sys.argv[1])
if os.geteuid() == 0:  # nothing is read-only to the superuser
    os.setuid(65534)
try:
    print(read_sessions(path))
except StoreError as exc:
    print(exc)
"""


async def archived(path: Path, archive: Path) -> None:
    """Keep file and log as a program leaves them that is killed."""
    async with opened(path, BENCH) as store:
        await add_clock(store)
        for file in (path, path.with_name(f"{path.name}-wal")):
            shutil.copyfile(file, archive / file.name).chmod(0o444)


@pytest.mark.slow
def test_an_archive_of_a_killed_session_is_refused_with_what_can_be_done(
    tmp_path: Path,
) -> None:
    archive = Path("/tmp") / f"archive-{os.getpid()}"  # noqa: S108 - others may enter it
    archive.mkdir(mode=0o755)
    path = archive / "bench.db"
    try:
        asyncio.run(archived(tmp_path / path.name, archive))
        archive.chmod(0o555)
        before = contents(archive)
        ended = subprocess.run(
            [sys.executable, "-c", AS_NOBODY, str(path)],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert ended.stderr == ""
        assert "its log bench.db-wal is a part of it" in ended.stdout
        assert "copy both to a folder that can be written" in ended.stdout
        assert "daq salvage" in ended.stdout
        assert contents(archive) == before
    finally:
        archive.chmod(0o755)
        shutil.rmtree(archive)


@pytest.mark.slow
@by_everyone
def test_a_file_that_another_program_keeps_locked_is_refused_with_who_it_may_be(
    path: Path, open_it: Callable[[Path], object]
) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode = exclusive")
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(
            StoreError,
            match=r"another program holds it \(database is locked\).*close it there and try again",
        ):
            open_it(path)
