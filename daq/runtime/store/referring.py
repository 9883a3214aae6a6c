"""Puts right what rows of a salvaged file refer to, and marks the trials that lost something.

Every function runs inside a transaction that its caller opens and commits; foreign keys are not enforced meanwhile.
"""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from daq.records import TrialState
from daq.runtime.store.layout import quoted
from daq.runtime.store.schema import LIVE

READINGS_LOST = "some of its readings are lost: the results file was damaged"
AVERAGES_LOST = "some of its averages are lost: the results file was damaged"

_REPLACED = {
    "clocks": (
        "INSERT INTO clocks (id, boot_id, monotonic_s, utc_us, speed) VALUES (?, 'lost', 0, 0, 1)",
        "is lost: what was read by it is dated from 1970-01-01",
    ),
    "sessions": (
        "INSERT INTO sessions (id, uuid, bench, plan, plan_digest, plan_text, bench_text, machine, seed, order_json,"
        " speed, software, started_utc, state) VALUES (?1, 'lost-' || ?1, 'lost', 'lost', '', '', '', 'lost', 0, '[]',"
        " 1, '', coalesce((SELECT min(strftime('%Y-%m-%dT%H:%M:%fZ', c.utc_us / 1e6"
        " + (t.started_s - c.monotonic_s) / c.speed, 'unixepoch')) FROM trials t JOIN clocks c ON c.id = t.clock_id"
        " WHERE t.session_id = ?1), '1970-01-01T00:00:00.000Z'), 'abandoned')",
        "is lost but for its trials: plan, bench and order are not known",
    ),
}
_LIVE_ROW = (
    "INSERT INTO analyses (id, created_utc, software, note)"
    " VALUES (?, strftime('%Y-%m-%dT%H:%M:%fZ', 'now'), '', 'averaged live')"
)


@dataclass(frozen=True, slots=True)
class _Reference:
    """A column, or several, that name a row of another table."""

    table: str
    parent: str
    columns: tuple[str, ...]
    parent_columns: tuple[str, ...]
    may_be_null: bool

    @property
    def dangling(self) -> str:
        """The condition for rows that name one that is not there."""
        pairs = zip(self.columns, self.parent_columns, strict=True)
        same = " AND ".join(
            f"p.{quoted(b)} = {quoted(self.table)}.{quoted(a)}" for a, b in pairs
        )
        given = " AND ".join(
            f"{quoted(self.table)}.{quoted(c)} IS NOT NULL" for c in self.columns
        )
        return f"{given} AND NOT EXISTS (SELECT 1 FROM {quoted(self.parent)} p WHERE {same})"  # noqa: S608 - quoted


def mend_references(connection: sqlite3.Connection) -> list[str]:
    """Let every row refer to rows that are there; returns what was done, in words."""
    remarks: list[str] = []
    references = list(_references(connection))
    # A row that is left out may leave others dangling.
    while done := [text for each in references for text in _mend(connection, each)]:
        remarks += done
    return remarks


def _references(connection: sqlite3.Connection) -> Iterator[_Reference]:
    tables = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table'"
    ).fetchall()
    for (table,) in tables:
        nullable = {
            row[1]: not row[3]
            for row in connection.execute(f"PRAGMA table_info({quoted(table)})")
        }
        keys: dict[int, list[Sequence[str]]] = {}
        for row in connection.execute(f"PRAGMA foreign_key_list({quoted(table)})"):
            keys.setdefault(row[0], []).append(row)
        for rows in keys.values():
            columns = tuple(row[3] for row in rows)
            parents = tuple(row[4] or "id" for row in rows)
            yield _Reference(
                table, rows[0][2], columns, parents, all(nullable[c] for c in columns)
            )


def _mend(connection: sqlite3.Connection, reference: _Reference) -> list[str]:
    if not reference.may_be_null and len(reference.columns) == 1:
        replaced = _replace_lost(connection, reference)
        if replaced:
            return replaced
    table = quoted(reference.table)
    if reference.may_be_null:
        (column,) = reference.columns
        done = connection.execute(
            f"UPDATE {table} SET {quoted(column)} = NULL WHERE {reference.dangling}"  # noqa: S608 - quoted
        )
        what = f"were of {reference.parent} that are lost, and are kept without"
    else:
        done = connection.execute(f"DELETE FROM {table} WHERE {reference.dangling}")  # noqa: S608 - quoted
        what = f"were of {reference.parent} that are lost, and are left out"
    return (
        [f"{done.rowcount} rows of {reference.table} {what}"] if done.rowcount else []
    )


def _replace_lost(connection: sqlite3.Connection, reference: _Reference) -> list[str]:
    """Put a row that says so where a clock, a session or the live analysis is lost."""
    (column,) = reference.columns
    lost = connection.execute(
        f"SELECT DISTINCT {quoted(column)} FROM {quoted(reference.table)} WHERE {reference.dangling}"  # noqa: S608 - quoted
    ).fetchall()
    if reference.parent == "analyses":
        if (LIVE,) in lost:
            connection.execute(_LIVE_ROW, (LIVE,))
        return []  # nothing is lost with it; of another analysis the rows are left out
    if reference.parent not in _REPLACED:
        return []
    statement, words = _REPLACED[reference.parent]
    for key in lost:
        connection.execute(statement, key)
    return [
        f"{reference.parent.removesuffix('s')} {number} {words}" for (number,) in lost
    ]


def remake_spans(connection: sqlite3.Connection, tables: Sequence[str]) -> None:
    """Give sessions whose spans are lost one that holds their trials' readings, lest these be thinned.

    Args:
        connection: To the new file.
        tables: Tables of readings.
    """
    readings = " UNION ALL ".join(
        f"SELECT trial_id, seq FROM {quoted(table)} WHERE trial_id IS NOT NULL"  # noqa: S608 - quoted
        for table in tables
    )
    if readings:
        connection.execute(
            "INSERT INTO spans (session_id, first_seq, last_seq, first_gap, last_gap)"  # noqa: S608 - quoted
            " SELECT t.session_id, min(r.seq), max(r.seq), coalesce(min(g.id), 1), coalesce(max(g.id), 0)"
            f" FROM trials t JOIN ({readings}) r ON r.trial_id = t.id LEFT JOIN gaps g ON g.trial_id = t.id"
            " WHERE t.session_id NOT IN (SELECT session_id FROM spans) GROUP BY t.session_id"
        )


def mark_trials(
    connection: sqlite3.Connection,
    lost: Mapping[str, Sequence[tuple[int, int]]],
    store_format: int,
) -> tuple[int, ...]:
    """Say in the notes of trials that something of theirs is lost; returns their numbers.

    Args:
        connection: To the new file.
        lost: By table, numbers between which rows may be missing, neither included.
        store_format: Of the new file.
    """
    without_readings: set[int] = set()
    for table in (name for name in lost if name.startswith("readings_")):
        for low, high in lost[table]:
            without_readings |= _trials_around(connection, table, "seq", low, high)
            if store_format > 1:
                rows = connection.execute(
                    "SELECT id FROM trials WHERE first_reading > ? AND first_reading < ?",
                    (low, high),
                )
                without_readings |= {int(number) for (number,) in rows}
    without_averages: set[int] = set()
    for low, high in (*lost.get("averages", ()),):
        without_averages |= _trials_around(connection, "averages", "rowid", low, high)
    without_averages |= _finished_without_averages(connection, store_format)
    for numbers, text in (
        (without_readings, READINGS_LOST),
        (without_averages, AVERAGES_LOST),
    ):
        _note(connection, sorted(numbers), text, store_format)
    return tuple(sorted(without_readings | without_averages))


def marked_trials(connection: sqlite3.Connection, session: int) -> tuple[int, ...]:
    """Numbers of a session's trials whose notes say that something of theirs is lost."""
    rows = connection.execute(
        "SELECT id FROM trials WHERE session_id = ?1 AND (instr(note, ?2) OR instr(note, ?3)) ORDER BY id",
        (session, READINGS_LOST, AVERAGES_LOST),
    )
    return tuple(int(number) for (number,) in rows)


def _trials_around(
    connection: sqlite3.Connection, table: str, number: str, low: int, high: int
) -> set[int]:
    """Trials that the row before a range belongs to, or the row behind it."""
    found: set[int] = set()
    for condition, order in (
        (f"{number} <= {low}", "DESC"),
        (f"{number} >= {high}", "ASC"),
    ):
        row = connection.execute(
            f"SELECT trial_id FROM {quoted(table)} WHERE {condition} ORDER BY {number} {order} LIMIT 1"  # noqa: S608 - numbers, names of ours
        ).fetchone()
        if row is not None and row[0] is not None:
            found.add(int(row[0]))
    return found


def _finished_without_averages(
    connection: sqlite3.Connection, store_format: int
) -> set[int]:
    """Trials that had averages and have none any more: they are not finished any longer."""
    live = f" AND a.analysis_id = {LIVE}" if store_format > 1 else ""
    rows = connection.execute(
        "SELECT id FROM trials t WHERE t.state = ? AND NOT EXISTS"  # noqa: S608 - a constant
        f" (SELECT 1 FROM averages a WHERE a.trial_id = t.id{live})",
        (TrialState.FINISHED.value,),
    ).fetchall()
    connection.executemany(
        "UPDATE trials SET state = ? WHERE id = ?",
        [(TrialState.UNFINISHED.value, number) for (number,) in rows],
    )
    return {int(number) for (number,) in rows}


def _note(
    connection: sqlite3.Connection,
    numbers: Sequence[int],
    text: str,
    store_format: int,
) -> None:
    columns = ["note", "added_note"] if store_format > 2 else ["note"]
    for column in columns:
        connection.executemany(
            f"UPDATE trials SET {column} = iif({column} = '', ?1, {column} || '; ' || ?1) WHERE id = ?2",  # noqa: S608 - names above
            [(text, number) for number in numbers],
        )
