"""Is a results file damaged?

SQLite notices a broken page only when a question leads to it, and a broken log not at all: it takes what is in order
and is silent about the rest. A value that was changed inside a row that is otherwise whole can be noticed by nobody.
"""

import re
import sqlite3
from collections.abc import Iterable
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
_TABLES = "SELECT name FROM sqlite_master WHERE type = 'table' AND rootpage > 0"
"""Not the virtual ones: what is in those lies in others."""

_UNKNOWN = re.compile("unknown function|no such (function|collation sequence|module)")
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


def damaged_text(path: Path, what: object) -> str:
    """Say of a file that it is damaged, and what to do."""
    return (
        f"{path}: it is damaged ({in_words(what)}): it is left as it is;"
        f" `daq salvage {path}` writes what can be read to a new file"
    )


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
        return first_fault_of_all(connection)
    names = _names(connection, f"{_TABLES} AND NOT {_LARGE_TABLES}")
    return _first_fault_of(connection, names, "integrity_check")


def find_damage_running(connection: sqlite3.Connection, path: Path) -> str | None:
    """Look through a small file, or at the newest rows of a long one, in a bounded time; as find_damage.

    Args:
        connection: To the file; a new one, for what another one has in memory hides what lies on the disk.
        path: Of the file.
    """
    if path.stat().st_size <= LOOKED_THROUGH_RUNNING_BYTES:
        return first_fault_of_all(connection, "quick_check")
    for name in _names(connection, f"{_TABLES} AND name NOT LIKE 'sqlite%'"):
        for _ in connection.execute(
            f"SELECT * FROM {name} ORDER BY rowid DESC LIMIT {_NEWEST_ROWS}"  # noqa: S608 - quoted
        ):
            pass
    return None


def _names(connection: sqlite3.Connection, question: str) -> list[str]:
    """Names of tables, quoted; somebody else's may hold quotes themselves."""
    rows = connection.execute(question).fetchall()
    return [quoted(str(name).replace('"', '""')) for (name,) in rows]


def first_fault_of_all(
    connection: sqlite3.Connection, check: str = "integrity_check"
) -> str | None:
    """Look through all at once, or table by table where one of somebody else's asks for what this program has not."""
    try:
        return _first_fault(connection, f"PRAGMA {check}(1)")
    except sqlite3.OperationalError as exc:
        if not _is_of_something_unknown(exc):
            raise
    return _first_fault_of(connection, _names(connection, _TABLES), check)


def _first_fault_of(
    connection: sqlite3.Connection, names: Iterable[str], check: str
) -> str | None:
    faults = (_fault_of_table(connection, name, check) for name in names)
    return next((fault for fault in faults if fault is not None), None)


def _fault_of_table(
    connection: sqlite3.Connection, name: str, check: str
) -> str | None:
    # The shorter one does not ask what an index is made of.
    for question in dict.fromkeys((check, "quick_check")):
        try:
            return _first_fault(connection, f"PRAGMA {question}({name})")
        except sqlite3.OperationalError as exc:
            if not _is_of_something_unknown(exc):
                raise
    return None  # it cannot be used here either


def _is_of_something_unknown(exc: sqlite3.OperationalError) -> bool:
    """Whether an index, a column or a table asks for a function, an order of texts or a module of another program."""
    return bool(_UNKNOWN.search(str(exc)))


def _first_fault(connection: sqlite3.Connection, question: str) -> str | None:
    (answer,) = connection.execute(question).fetchone()
    # The first line may be a heading.
    return None if answer == "ok" else str(answer).splitlines()[-1]
