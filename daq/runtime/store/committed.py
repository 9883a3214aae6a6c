"""Is a transaction in the file whose COMMIT failed?

A disk that fails while the log is made sure leaves the transaction whole in it, and SQLite takes it as committed when the
file is opened the next time. To write it again would write it twice, or be refused. A transaction is there as a whole or
not at all, so that one thing which only it can have written tells of all of it: a row with a number of its own, or else
a count that is kept with the counters of SQLite itself.
"""

import re
import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from daq.runtime.store.buffer import Row
from daq.runtime.store.layout import SqlValue, quoted
from daq.runtime.store.unwritable import is_of_a_row

_NUMBERED = re.compile(r'INSERT INTO "?(\w+)"? \("?(seq|id)\b')
"""Statements whose first value is a number that is used once."""

_MARK = "daq.transactions"
"""Name of the count; no table is called so, and SQLite leaves counters of other names alone."""


@dataclass(frozen=True, slots=True)
class Proof:
    """A question that has an answer where the transaction is in the file."""

    question: str
    values: tuple[SqlValue, ...]

    def is_in(self, connection: sqlite3.Connection) -> bool:
        """Ask; nothing of the transaction may have been written again."""
        return connection.execute(self.question, self.values).fetchone() is not None


@dataclass(frozen=True, slots=True)
class Doubt:
    """A transaction that may be in the file or not, and what is to be done in either case."""

    proof: Proof
    if_there: Callable[[], None]
    if_not: Callable[[], None]


def proof_of(connection: sqlite3.Connection, rows: Iterable[Row]) -> Proof | None:
    """What will prove the transaction that is about to be committed; None where nothing can.

    Args:
        connection: It is in that transaction, which has changed something.
        rows: That were written in it, among others.
    """
    for statement, values in rows:
        if found := _NUMBERED.match(statement):
            table, number = quoted(found[1]), quoted(found[2])
            question = f"SELECT 1 FROM {table} WHERE {number} = ?"  # noqa: S608 - of a statement of ours
            return Proof(question, values[:1])
    try:
        return _marked(connection)
    except sqlite3.Error as exc:
        if not is_of_a_row(exc):
            raise
        return None  # somebody took the counters away: what was to be written does not need them


def _marked(connection: sqlite3.Connection) -> Proof:
    (before,) = connection.execute(
        "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = ?", (_MARK,)
    ).fetchone()
    statement = (
        "UPDATE sqlite_sequence SET seq = ?2 WHERE name = ?1"
        if before
        else "INSERT INTO sqlite_sequence (name, seq) VALUES (?1, ?2)"
    )
    connection.execute(statement, (_MARK, before + 1))
    question = "SELECT 1 FROM sqlite_sequence WHERE name = ? AND seq >= ?"
    return Proof(question, (_MARK, before + 1))
