"""Opens a results file: is it there, is it ours, can this version use it?

A file that is not ours is never altered: it is looked at without locks and without
the side files that SQLite would put beside it. Nor is one that is damaged: it is looked
through before anything is written. Knows no sessions and no readings.
"""

import errno
import fcntl
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, nullcontext, suppress
from pathlib import Path

from daq.errors import (
    StoreBusyError,
    StoreDamagedError,
    StoreError,
    StoreForeignError,
    StoreTooNewError,
)
from daq.records import Channel
from daq.runtime.store.claimed import find_false_claim
from daq.runtime.store.columns import fit_to_bench
from daq.runtime.store.damage import (
    LOOKED_THROUGH_BYTES,
    LOOKED_THROUGH_READING_BYTES,
    FileSpoiltError,
    damaged_text,
    find_damage,
    find_damage_running,
    in_words,
    is_damage,
)
from daq.runtime.store.layout import InstrumentTable
from daq.runtime.store.lying import find_damage_as_it_lies
from daq.runtime.store.refusing import (
    HEAD_BYTES,
    is_archive,
    refuse_journal,
    refuse_other_kinds,
    sqlite_words,
)
from daq.runtime.store.schema import APPLICATION_ID, FORMAT, file_format, migrate
from daq.runtime.store.spans import NextNumbers, close_dead_spans, next_numbers
from daq.runtime.store.spoilt import RecordSpoiltError

BUSY_S = 0.4
"""How long a statement waits for another program's lock before it is trouble [s]."""

_MAGIC = b"SQLite format 3\x00"

_OF_A_STORE = b"CREATE TABLE trials ("
_LOOKED_AT_BYTES = 200_000
"""In so much of a file its tables are described: by that one of ours is known whose head is spoilt."""

_HELD: dict[tuple[int, int], int] = {}
"""Files that this process writes, with the descriptors of their locks. Closing any other descriptor of theirs would
release all of SQLite's locks on them (POSIX has it so), and the next program to close the file would take its log away
from under us."""

_SIZE = 2  # its place in a state
_FOUND_SOUND: dict[tuple[int, ...], bool] = {}
"""Files that were looked through before they were read, as they were then, and whether all of them was: a command opens
its file many times."""


def prepare_store(
    path: Path, instruments: Mapping[str, Sequence[Channel]]
) -> dict[str, InstrumentTable | None]:
    """Make or migrate the file, and fit it to the bench; returns the tables by instrument.

    Raises:
        StoreForeignError: If something else lies under that path.
        StoreTooNewError: If a newer version wrote it.
        StoreBusyError: If another program is writing it.
        StoreDamagedError: If it is damaged; it is left as it is.
        StoreError: If it cannot be made, read or written.
    """
    is_there = check_file(path) > 0
    with (
        converted(path),
        _locked(path) if is_there else nullcontext(),
    ):
        if is_there:
            _refuse_damaged(path)
        return _fitted(path, instruments)


def _refuse_damaged(path: Path) -> None:
    """Look through a file that nobody writes.

    Raises:
        StoreDamagedError: If its content contradicts itself, or its log has lost what was committed to it.
    """
    what = find_damage_as_it_lies(path)
    if what is None:
        # Nobody writes: without a log no side files are wanted.
        mode = "mode=ro" if _has_log(path) else "immutable=1"
        with closing(_connected(path, mode)) as connection:
            what = find_damage(connection, path)
    if what is not None:
        raise StoreDamagedError(damaged_text(path, what))


def look_through(path: Path, *, is_running: bool) -> str | None:
    """Look through a file that this process writes; returns what contradicts itself, None where nothing does.

    Args:
        path: Of the file.
        is_running: More is to be written: it must not take long.

    Raises:
        sqlite3.Error: If it cannot be read.
    """
    look = find_damage_running if is_running else find_damage
    try:
        with closing(_connected(path, "mode=ro")) as connection:
            return look(connection, path)
    except (sqlite3.Error, UnicodeDecodeError, FileSpoiltError) as exc:
        if not is_damage(exc):
            raise
        return str(in_words(exc))


def _fitted(
    path: Path, instruments: Mapping[str, Sequence[Channel]]
) -> dict[str, InstrumentTable | None]:
    with closing(connect_writer(path, create=True)) as connection:
        migrate(connection)
        connection.execute("BEGIN IMMEDIATE")
        tables = fit_to_bench(connection, instruments)
        # A change for certain: without one SQLite lets a full or read-only disk pass.
        connection.execute(f"PRAGMA user_version = {FORMAT}")
        connection.execute("COMMIT")
        return tables


def take_over(path: Path) -> NextNumbers:
    """Tidy up after a program that was killed, and tell where the numbers go on.

    Only whoever holds the lock of lock_for_writing() may: what is open without it is
    another program's.

    Raises:
        StoreError: If the file cannot be read or written.
    """
    with converted(path), closing(connect_writer(path)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        close_dead_spans(connection)
        numbers = next_numbers(connection)
        connection.execute("COMMIT")
        return numbers


def lock_for_writing(path: Path) -> int:
    """Keep other programs of ours from writing the file until the descriptor is closed.

    The descriptor must stay open for as long as SQLite has the file open: closing it
    would release SQLite's own locks.

    Raises:
        StoreBusyError: If another program is writing it.
    """
    _expect_writable(path)
    descriptor = os.open(path, os.O_RDWR | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as exc:
        os.close(descriptor)
        msg = (
            f"{path}: another program is writing it, end that one or name another file"
        )
        raise StoreBusyError(msg) from exc
    _HELD[_identity(os.fstat(descriptor))] = descriptor
    return descriptor


def unlock(descriptor: int) -> None:
    """Let others write the file again; SQLite must have closed it before."""
    _HELD.pop(_identity(os.fstat(descriptor)), None)
    os.close(descriptor)


def _identity(status: os.stat_result) -> tuple[int, int]:
    return status.st_dev, status.st_ino


def _is_held(path: Path) -> bool:
    """Whether this process writes the file: it is ours, then, and must be opened through SQLite's locks only."""
    try:
        return _identity(path.stat()) in _HELD
    except FileNotFoundError:
        return False


def connect_writer(path: Path, *, create: bool = False) -> sqlite3.Connection:
    """Connect for writing, for the calling thread only; transactions are ours.

    Raises:
        PermissionError: If the file is there but read-only.
        StrangeJournalError: If a journal lies there that is none of its own.
        sqlite3.Error: If SQLite cannot.
    """
    # SQLite would open it all the same, and make side files that are read-only
    # too and stay in the way when the file can be written again.
    _expect_writable(path)
    _refuse_emptied(path)
    _refuse_strange_journal(path)
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={'rwc' if create else 'rw'}",
        uri=True,
        timeout=BUSY_S,
        isolation_level=None,
    )
    try:
        connection.execute("PRAGMA journal_mode = wal")
        connection.execute("PRAGMA synchronous = full")
        connection.execute("PRAGMA foreign_keys = on")
    except (sqlite3.Error, UnicodeDecodeError):
        connection.close()
        raise
    return connection


def stand_by(path: Path) -> sqlite3.Connection:
    """Connect beside a writer: if this connection is closed after the writer's, the log is left as it is.

    Whoever closes last takes the log into the file, and a connection that only reads cannot. It must be there before a
    file is spoilt: of an emptied one SQLite removes the log when it is opened.
    """
    _refuse_emptied(path)
    uri = f"{path.absolute().as_uri()}?mode=ro"
    connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None)
    with suppress(sqlite3.Error, UnicodeDecodeError):
        # If it is damaged, that it is open is enough.
        connection.execute("SELECT 1 FROM sqlite_master").fetchone()
    return connection


def _refuse_emptied(path: Path) -> None:
    """SQLite removes the log of an empty file without a word, and the log may be all that is left."""
    if _has_log(path) and path.exists() and not path.stat().st_size:
        msg = "it is empty, and its log is not"
        raise FileSpoiltError(msg)


def _refuse_strange_journal(path: Path) -> None:
    """SQLite writes a journal that lies there over the file, also where it is opened for reading."""
    if _has_side_file(path, "-journal") and path.exists():
        refuse_journal(path, _head(path, HEAD_BYTES), _side_file(path, "-wal"))


def _expect_writable(path: Path) -> None:
    if path.exists() and not os.access(path, os.W_OK):
        raise PermissionError(errno.EACCES, "it is read-only")


@contextmanager
def altering_store(path: Path) -> Iterator[sqlite3.Connection]:
    """Connect to a store that is there for one transaction, for as long as the block lasts.

    It is migrated first, and no other program of ours writes it meanwhile. What the
    block does is kept as a whole, or not at all where it raises.

    Raises:
        StoreBusyError: If another program is writing it.
        StoreForeignError: If the file is not ours.
        StoreTooNewError: If a newer version wrote it.
        StoreError: If it is not there or cannot be written.
    """
    _expect_store(path)
    with (
        converted(path),
        _locked(path),
    ):
        _refuse_damaged(path)
        with _altering(path) as connection:
            yield connection


@contextmanager
def _altering(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(connect_writer(path)) as connection:
        migrate(connection)
        connection.execute("BEGIN IMMEDIATE")
        # Not committed where the block raises: closing rolls back.
        yield connection
        connection.execute("COMMIT")


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Keep others from writing; SQLite's connections are to be opened and closed inside."""
    lock = lock_for_writing(path)
    try:
        yield
    finally:
        unlock(lock)


def _expect_store(path: Path) -> None:
    if not check_file(path):
        if path.exists() and not path.stat().st_size:
            msg = (
                f"{path}: it is empty (0 bytes), so it holds no results: take the newest copy that `daq backup` made,"
                " or name another file"
            )
            raise StoreError(msg)
        msg = f"{path}: no results file there: name one that a session has made"
        raise StoreError(msg)


@contextmanager
def reading_store(
    path: Path, *, readings: bool = False
) -> Iterator[sqlite3.Connection]:
    """Connect for reading only, for as long as the block lasts; with readings, those are looked through in longer files too.

    Raises:
        StoreForeignError: If the file is not ours.
        StoreTooNewError: If a newer version wrote it.
        StoreDamagedError: If it is damaged, or a record that is wanted is.
        StoreError: If it is not there or cannot be read.
    """
    _expect_store(path)
    with converted(path):
        most = LOOKED_THROUGH_BYTES if readings else LOOKED_THROUGH_READING_BYTES
        if not _is_found_sound(path, most) and (what := find_damage_as_it_lies(path)):
            raise StoreDamagedError(damaged_text(path, what))
        with closing(_connect_reader(path)) as connection:
            _expect_sound(connection, path, most)
            yield connection


def _expect_sound(connection: sqlite3.Connection, path: Path, most: int) -> None:
    """Look through the file once: SQLite gives wrong figures of a damaged one without a word.

    Not while this process writes it: it was looked through when it was opened, and the page must not wait.

    Raises:
        StoreDamagedError: If its content contradicts itself.
    """
    if _is_found_sound(path, most):
        return
    state = _state(path)
    what = find_damage(connection, path, at_most_bytes=most)
    if what is not None:
        raise StoreDamagedError(damaged_text(path, what))
    _FOUND_SOUND[state] = state[_SIZE] <= most


def _is_found_sound(path: Path, most: int) -> bool:
    if _is_held(path):
        return True
    state = _state(path)
    was_all = _FOUND_SOUND.get(state)
    return was_all is not None and (was_all or state[_SIZE] > most)


def _state(path: Path) -> tuple[int, ...]:
    """A file as it is now, and which log it has: what a program writes to that is looked at by itself."""
    status = path.stat()
    state = (*_identity(status), status.st_size, status.st_mtime_ns)
    with suppress(FileNotFoundError):
        log = _side_file(path, "-wal").stat()
        return (*state, log.st_ino) if log.st_size else state
    return state


def _connect_reader(path: Path) -> sqlite3.Connection:
    # SQLite wants side files beside a file in WAL mode, and makes them as read-only as
    # the file. In an archive that we cannot write, it is read as it lies.
    if _has_log(path) or _is_held(path):
        return _connected(path, "mode=ro")
    if is_archive(path):
        return _connected(path, "immutable=1")
    # A connection that may not write cannot take its side files away again when it is closed as the last one. There is no
    # log that this one could write into the file, and SQLite's own locks leave another program's side files alone.
    return _connected(path, "mode=rw")


def _connected(path: Path, mode: str) -> sqlite3.Connection:
    """Connect for reading, whatever the mode would allow."""
    _refuse_emptied(path)
    _refuse_strange_journal(path)
    uri = f"{path.absolute().as_uri()}?{mode}"
    connection = sqlite3.connect(uri, uri=True, isolation_level=None)
    try:
        connection.execute("PRAGMA query_only = on")
        file_format(connection)  # the file is not touched before the first question
    except (sqlite3.Error, UnicodeDecodeError):
        connection.close()
        raise
    return connection


def _has_log(path: Path) -> bool:
    return _has_side_file(path, "-wal")


def _has_side_file(path: Path, suffix: str) -> bool:
    file = _side_file(path, suffix)
    return file.exists() and file.stat().st_size > 0


def _side_file(path: Path, suffix: str) -> Path:
    real = path.resolve()  # beside the file itself, not beside a link to it
    return real.with_name(f"{real.name}{suffix}")


def check_file(path: Path) -> int:
    """Tell the format of the store under that path, 0 for none yet; alters nothing.

    Raises:
        StoreForeignError: If something else lies there.
        StoreTooNewError: If a newer version wrote it.
        StoreError: If there can be no file, it cannot be read, or a journal lies there that is none of its own.
    """
    refuse_other_kinds(path)
    if _is_held(path):
        with converted(path), closing(_connected(path, "mode=ro")) as connection:
            return file_format(connection)
    with converted(path):
        return _check_marks(path) if _is_sqlite(path) else 0


def _is_sqlite(path: Path) -> bool:
    """Whether there is a SQLite file; false for nothing or an empty file."""
    if not path.exists():
        if not path.parent.is_dir():
            msg = f"{path}: no directory {path.parent}: make it or name another file"
            raise StoreError(msg)
        return False
    _refuse_emptied(path)
    _refuse_strange_journal(path)
    head = _head(path, len(_MAGIC))
    if head != _MAGIC and _OF_A_STORE in _head(path, _LOOKED_AT_BYTES):
        raise StoreDamagedError(damaged_text(path, "its head is spoilt"))
    if head != _MAGIC and _has_side_file(path, "-journal"):
        # The power failed while it was made: SQLite empties it when it is opened for writing.
        return False
    if head and head != _MAGIC:
        msg = f"{path}: not a results file (no SQLite header): name another file"
        raise StoreForeignError(msg)
    return bool(head)


def _head(path: Path, length: int) -> bytes:
    if (held := _HELD.get(_identity(path.stat()))) is not None:
        return os.pread(held, length, 0)
    with path.open("rb") as file:
        return file.read(length)


def _check_marks(path: Path) -> int:
    # Without a log nobody is writing, and `immutable` leaves no trace beside the file.
    # With a journal it was being made when the power failed: only opening it for writing can put that right.
    is_unmade = _has_side_file(path, "-journal")
    mode = "mode=ro" if _has_log(path) and not is_unmade else "immutable=1"
    with closing(_connected(path, mode)) as connection:
        mark = connection.execute("PRAGMA application_id").fetchone()[0]
        is_empty = not connection.execute("SELECT 1 FROM sqlite_master").fetchone()
        found = file_format(connection)
        is_unnumbered = mark == APPLICATION_ID and not found
        false = find_false_claim(connection) if is_unnumbered else None
    if mark != APPLICATION_ID:
        if is_empty:  # made, but the program ended before it was filled
            return 0
        msg = f"{path}: a database of another program: name another file"
        raise StoreForeignError(msg)
    if false is not None:
        raise StoreDamagedError(damaged_text(path, false))
    if found > FORMAT:
        msg = (
            f"{path}: store format {found}, this version reads up to {FORMAT}:"
            " update the program or name another file"
        )
        raise StoreTooNewError(msg)
    return found


@contextmanager
def converted(path: Path) -> Iterator[None]:
    """Exceptions of SQLite and the operating system as ours."""
    try:
        yield
    except RecordSpoiltError as exc:
        raise exc.of_file(path) from exc
    except (sqlite3.Error, UnicodeDecodeError, FileSpoiltError) as exc:
        if is_damage(exc):
            raise StoreDamagedError(damaged_text(path, exc)) from exc
        msg = f"{path}: {sqlite_words(path, exc, has_log=_has_log(path))}"
        raise StoreError(msg) from exc
    except OSError as exc:
        msg = f"{path}: {(exc.strerror or str(exc)).lower()}: name another file"
        raise StoreError(msg) from exc
