"""Is a results file damaged?

SQLite notices a broken page only when a question leads to it, and a broken log not at all: it takes what is in order
and is silent about the rest. A value that was changed inside a row that is otherwise whole can be noticed by nobody.
"""

import sqlite3
from collections.abc import Iterator
from pathlib import Path

from daq.runtime.store.claimed import find_false_claim
from daq.runtime.store.layout import quoted

LOOKED_THROUGH_BYTES = 256_000_000
"""Of a longer file only what is small is looked through, so that a start does not take minutes."""

LOOKED_THROUGH_READING_BYTES = 64_000_000
"""Of a longer file only what is small is looked through before it is read, so that reading does not wait for seconds."""

LOOKED_THROUGH_RUNNING_BYTES = 8_000_000
"""Of a longer file only what is newest is looked at while it is written: this much takes less than a tenth of a second."""

_NEWEST_ROWS = 2_000
_LARGE_TABLES = "name LIKE 'readings\\_%' ESCAPE '\\'"
_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
_NOT_TEXT = "Could not decode to UTF-8"


class FileSpoiltError(Exception):
    """The file was emptied, cut or written over; SQLite itself does not say so."""


def is_damage(exc: Exception) -> bool:
    """Whether an error says that the content of the file is spoilt."""
    # SQLite's own words may quote what was spoilt, and Python wants them to be UTF-8.
    if isinstance(exc, FileSpoiltError | UnicodeDecodeError):
        return True
    if getattr(exc, "sqlite_errorcode", 0) & 0xFF in _DAMAGE:
        return True
    # This one comes from Python, which gives it no code.
    return str(exc).startswith(_NOT_TEXT)


def in_words(what: object) -> object:
    """What is wrong with a file, for a person: Python's words about bytes are none."""
    if isinstance(what, UnicodeDecodeError):
        return "a name in it, or what describes its tables, is no text any more"
    return what


def find_damage(
    connection: sqlite3.Connection,
    path: Path,
    *,
    at_most_bytes: int = LOOKED_THROUGH_BYTES,
) -> str | None:
    """Look through a file; returns what contradicts itself, None where nothing does.

    Also indexes are held against their tables, for what is asked by an index comes from it alone.

    Args:
        connection: To the file.
        path: Of the file.
        at_most_bytes: Of a longer file only what is small is looked through.
    """
    if (fault := find_false_claim(connection)) is not None:
        return fault
    if path.stat().st_size <= at_most_bytes:
        return _first_fault(connection, "PRAGMA integrity_check(1)")
    small = connection.execute(
        f"SELECT name FROM sqlite_master WHERE type = 'table' AND NOT {_LARGE_TABLES}"  # noqa: S608 - a constant
    ).fetchall()
    faults = (
        _first_fault(connection, f"PRAGMA integrity_check({quoted(name)})")
        for (name,) in small
    )
    return next((fault for fault in faults if fault is not None), None)


def find_damage_running(connection: sqlite3.Connection, path: Path) -> str | None:
    """Look through a small file, or at the newest rows of a long one, in a bounded time; as find_damage.

    Args:
        connection: To the file; a new one, for what another one has in memory hides what lies on the disk.
        path: Of the file.
    """
    if path.stat().st_size <= LOOKED_THROUGH_RUNNING_BYTES:
        return _first_fault(connection, "PRAGMA quick_check(1)")
    for name in _table_names(connection):
        for _ in connection.execute(
            f"SELECT * FROM {quoted(name)} ORDER BY rowid DESC LIMIT {_NEWEST_ROWS}"  # noqa: S608 - quoted
        ):
            pass
    return None


def _table_names(connection: sqlite3.Connection) -> Iterator[str]:
    rows = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
    ).fetchall()
    return (str(name) for (name,) in rows)


def _first_fault(connection: sqlite3.Connection, question: str) -> str | None:
    (answer,) = connection.execute(question).fetchone()
    # The first line may be a heading.
    return None if answer == "ok" else str(answer).splitlines()[-1]
