"""Inserts rows in a transaction that its caller opens and commits."""

import sqlite3
from collections.abc import Sequence

from daq.runtime.store.buffer import Row
from daq.runtime.store.unwritable import is_of_a_row


def insert_grouped(connection: sqlite3.Connection, rows: Sequence[Row]) -> None:
    """Insert all, or raise at the first that is not taken."""
    by_statement: dict[str, list[tuple[object, ...]]] = {}
    for statement, values in rows:
        by_statement.setdefault(statement, []).append(values)
    # Rows are grouped, so a reading may come before the trial that it refers to.
    connection.execute("PRAGMA defer_foreign_keys = ON")
    for statement, group in by_statement.items():
        connection.executemany(statement, group)


def insert_one_by_one(
    connection: sqlite3.Connection,
    rows: Sequence[Row],
    *,
    taken: list[Row],
    not_taken: list[tuple[Row, Exception]],
) -> None:
    """Insert what is taken, in order; each row is appended to one of the two lists."""
    for row in rows:
        try:
            connection.execute(*row)
        except Exception as exc:
            if not is_of_a_row(exc):
                raise
            not_taken.append((row, exc))
        else:
            taken.append(row)
