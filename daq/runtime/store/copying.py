"""Copies a results file while a program may be writing it.

SQLite's own copying, from one read transaction: in a file with a log readers and the writer do not wait for each other,
so the copy is of one moment and the program that writes is not held up; it goes on in steps with pauses, so that the
disk is not either. `VACUUM INTO` would do as well, but makes the file anew row by row, which takes several times as long
and hides damage that a check of the copy tells of.
"""

import contextlib
import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from daq.errors import InputError, StoreDamagedError, StoreError
from daq.runtime.store.damage import damaged_text, first_fault_of_all, is_damage
from daq.runtime.store.layout import quoted, utc_text
from daq.runtime.store.opening import reading_store
from daq.runtime.store.placing import expect_new_store, place
from daq.runtime.store.spans import reading_tables

_STEP_PAGES = 512
_PAUSE_S = 0.005


@dataclass(frozen=True, slots=True)
class CopiedStore:
    """A copy that was checked.

    Attributes:
        size_bytes: Length of the new file.
        sessions: How many it holds.
        readings: How many polls and lines, over all instruments.
        newest_reading_utc: When the last of them came; None where there are none.
    """

    size_bytes: int
    sessions: int
    readings: int
    newest_reading_utc: str | None


def copy_store(source: Path, target: Path) -> CopiedStore:
    """Copy a results file, as it is at one moment, to a new file, and check the copy.

    Args:
        source: The file; a program may be writing it.
        target: The copy; there must be none under that path.

    Raises:
        InputError: If there is a file by then, the name would be taken for a part of another, or it cannot be written.
        StoreDamagedError: If the file is damaged; no copy is left then.
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    expect_new_store(target)
    unfinished = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        with reading_store(source) as connection:
            connection.execute("BEGIN")
            connection.execute("SELECT 1 FROM sqlite_master").fetchone()
            _copy(connection, unfinished, target)
            copied = _described(connection, unfinished.stat().st_size)
        _check(source, unfinished)
        place(unfinished, target)
    except OSError as exc:
        msg = f"{target}: cannot be written: {exc.strerror or exc}"
        raise InputError(msg) from exc
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink()
    return copied


def _copy(connection: sqlite3.Connection, unfinished: Path, target: Path) -> None:
    try:
        with closing(sqlite3.connect(unfinished)) as copy:
            connection.backup(copy, pages=_STEP_PAGES, sleep=_PAUSE_S)
    except sqlite3.OperationalError as exc:
        if is_damage(exc):
            raise
        msg = f"{target}: cannot be written: {exc}"
        raise InputError(msg) from exc


def _described(connection: sqlite3.Connection, size_bytes: int) -> CopiedStore:
    """What the file held at the moment that was copied."""
    (sessions,) = connection.execute("SELECT count(*) FROM sessions").fetchone()
    readings, newest = 0, []
    for table in reading_tables(connection):
        (count,) = connection.execute(
            f"SELECT count(*) FROM {quoted(table)}"  # noqa: S608 - quoted
        ).fetchone()
        readings += count
        newest += connection.execute(
            f"SELECT {utc_text('c', 'r.at_s')} FROM {quoted(table)} r"  # noqa: S608 - quoted
            " JOIN clocks c ON c.id = r.clock_id ORDER BY r.seq DESC LIMIT 1"
        ).fetchall()
    return CopiedStore(
        size_bytes, sessions, readings, max((utc for (utc,) in newest), default=None)
    )


def _check(source: Path, unfinished: Path) -> None:
    """Look through the copy; it is nobody else's yet."""
    uri = f"{unfinished.absolute().as_uri()}?immutable=1"
    try:
        with closing(sqlite3.connect(uri, uri=True)) as copy:
            fault = first_fault_of_all(copy)
    except sqlite3.Error as exc:
        msg = f"{unfinished}: {exc}"
        raise StoreError(msg) from exc
    if fault is not None:
        raise StoreDamagedError(damaged_text(source, fault))
