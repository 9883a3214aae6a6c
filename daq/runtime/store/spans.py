"""Which numbers of readings and gaps fall into a session, and which numbers come next.

Readings are numbered over all instruments, gaps on their own, both in the order in which they came. Every function
runs inside a transaction that its caller opens and commits.
"""

import sqlite3
from dataclasses import dataclass

from daq.errors import StoreError
from daq.runtime.store.layout import quoted

GAPS = "gaps"


@dataclass(frozen=True, slots=True)
class NextNumbers:
    """What the next clock, trial, reading and gap are numbered with."""

    clock: int
    trial: int
    reading: int
    gap: int


def reading_tables(connection: sqlite3.Connection) -> list[str]:
    """Tables of readings, one an instrument."""
    rows = connection.execute(
        "SELECT table_name FROM channels GROUP BY table_name ORDER BY min(id)"
    )
    return [str(table) for (table,) in rows]


def next_numbers(connection: sqlite3.Connection) -> NextNumbers:
    """Numbers that were never used, even where the newest rows were thinned away."""
    tables = reading_tables(connection)
    readings = [_greatest(connection, "seq", quoted(table)) for table in tables]
    readings.append(
        _greatest(connection, "done_to", f"thinning WHERE table_name <> '{GAPS}'")
    )
    readings += [
        _greatest(connection, "last_seq", "spans"),
        _greatest(connection, "first_seq - 1", "spans"),
    ]
    gaps = [
        _greatest(connection, "id", GAPS),
        _greatest(connection, "done_to", f"thinning WHERE table_name = '{GAPS}'"),
        _greatest(connection, "last_gap", "spans"),
        _greatest(connection, "first_gap - 1", "spans"),
    ]
    return NextNumbers(
        clock=_greatest(connection, "id", "clocks") + 1,
        trial=_greatest(connection, "id", "trials") + 1,
        reading=max(readings) + 1,
        gap=max(gaps) + 1,
    )


def _greatest(connection: sqlite3.Connection, number: str, source: str) -> int:
    (found,) = connection.execute(f"SELECT max({number}) FROM {source}").fetchone()  # noqa: S608 - names of ours
    return 0 if found is None else int(found)


def close_dead_spans(connection: sqlite3.Connection) -> None:
    """End what a program that was killed left open, with the last numbers there are."""
    numbers = next_numbers(connection)
    connection.execute(
        "UPDATE spans SET last_seq = ?, last_gap = ? WHERE last_seq IS NULL",
        (numbers.reading - 1, numbers.gap - 1),
    )


def open_span(
    connection: sqlite3.Connection, session: int, *, next_reading: int, next_gap: int
) -> None:
    """From these numbers on all belongs to the session; nothing where that is so already.

    Raises:
        StoreError: If there is no such session.
    """
    if not connection.execute(
        "SELECT 1 FROM sessions WHERE id = ?", (session,)
    ).fetchone():
        msg = f"there is no session {session}"
        raise StoreError(msg)
    connection.execute(
        "INSERT INTO spans (session_id, first_seq, first_gap) SELECT ?1, ?2, ?3"
        " WHERE NOT EXISTS (SELECT 1 FROM spans WHERE session_id = ?1 AND last_seq IS NULL)",
        (session, next_reading, next_gap),
    )


def close_span(
    connection: sqlite3.Connection, session: int, *, next_reading: int, next_gap: int
) -> None:
    """From these numbers on nothing belongs to the session; nothing where that is so already."""
    connection.execute(
        "UPDATE spans SET last_seq = ?, last_gap = ? WHERE session_id = ? AND last_seq IS NULL",
        (next_reading - 1, next_gap - 1, session),
    )
