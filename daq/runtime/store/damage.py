"""Is a results file damaged?

SQLite notices a broken page only when a question leads to it, and a broken log not at all: it takes what is in order
and is silent about the rest. A value that was changed inside a row that is otherwise whole can be noticed by nobody.
"""

import sqlite3
from pathlib import Path

from daq.runtime.store.salvaging import log_is_damaged

LOOKED_THROUGH_BYTES = 256_000_000
"""Of a longer file only what is small is looked through, so that a start does not take minutes."""

_LONGEST_LOG_BYTES = 32_000_000
_LARGE_TABLES = "name LIKE 'readings\\_%' ESCAPE '\\'"
_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
_NOT_TEXT = "Could not decode to UTF-8"


def is_damage(exc: sqlite3.Error) -> bool:
    """Whether an error says that the content of the file is spoilt."""
    if getattr(exc, "sqlite_errorcode", 0) & 0xFF in _DAMAGE:
        return True
    # This one comes from Python, which gives it no code.
    return str(exc).startswith(_NOT_TEXT)


def find_log_damage(path: Path) -> str | None:
    """Look through a file's log; to be asked while this process has the file not open, for it is read as it lies.

    Args:
        path: Of the file; nobody writes it meanwhile.
    """
    if log_is_damaged(path, at_most_bytes=_LONGEST_LOG_BYTES):
        return "its log has lost what was committed to it"
    return None


def find_damage(connection: sqlite3.Connection, path: Path) -> str | None:
    """Look through a file; returns what contradicts itself, None where nothing does.

    Args:
        connection: To the file.
        path: Of the file.
    """
    if path.stat().st_size <= LOOKED_THROUGH_BYTES:
        return _first_fault(connection, "PRAGMA quick_check(1)")
    small = connection.execute(
        f"SELECT name FROM sqlite_master WHERE type = 'table' AND NOT {_LARGE_TABLES}"  # noqa: S608 - a constant
    ).fetchall()
    faults = (
        _first_fault(connection, f'PRAGMA quick_check("{name}")') for (name,) in small
    )
    return next((fault for fault in faults if fault is not None), None)


def _first_fault(connection: sqlite3.Connection, question: str) -> str | None:
    (answer,) = connection.execute(question).fetchone()
    # The first line may be a heading.
    return None if answer == "ok" else str(answer).splitlines()[-1]
