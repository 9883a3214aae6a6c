"""Thins what was read outside sessions, so that a bench that is left on does not fill the disk.

Of readings that are old enough, lie in no span of a session and in no trial, the first of each stretch of time stays,
instrument by instrument; gaps likewise, by instrument and reason. Rows are gone through once, in the order in which
they came, a few at a time; a mark tells how far. Every other function than `thin` runs inside a transaction that its
caller opens and commits.

What is old follows from the store alone: the newest clock, reading or gap is now, and ages are counted back along the
rows of `clocks`. Within a boot the monotonic clock counts; where the computer's clock was wrong, or was set, no reading
goes before its time. Between boots only UTC can tell. Times are seconds of the bench.
"""

import json
import math
import sqlite3
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass
from itertools import chain, pairwise, takewhile
from typing import Any

from daq.runtime.store.layout import quoted
from daq.runtime.store.spans import GAPS, reading_tables
from daq.runtime.store.stored_clock import CLOCK_COLUMNS, StoredClock

CHUNK_ROWS = 500
"""Most rows that are looked at in one transaction: some milliseconds."""

_CLOCKS = 500
"""Rows of `clocks` fetched at a time; there is one a minute."""

_ENDLESS = 2**62


@dataclass(frozen=True, slots=True)
class Horizon:
    """Rows of an earlier clock, or of this one and before that time [s], are old enough."""

    clock_id: int
    before_s: float


@dataclass(frozen=True, slots=True)
class Chunk:
    """What a step did: rows that it deleted, and whether there is more to look at."""

    deleted: int
    is_last: bool


@dataclass(frozen=True, slots=True)
class _Kind:
    """How a table's rows are numbered and told apart; `label` distinguishes what is thinned apart."""

    table: str
    number: str
    label: str
    first: str
    last: str


@dataclass(frozen=True, slots=True)
class _Row:
    number: int
    clock_id: int
    boot_id: str
    trial: int | None
    at_s: float
    label: str


Run = Callable[[Callable[[sqlite3.Connection], Any]], Awaitable[Any]]
"""Runs a function of the connection in a transaction of its own."""


async def thin(run: Run, *, older_than_s: float, every_s: float) -> int:
    """Thin all tables, in many short transactions; returns how many rows went.

    Raises:
        ValueError: If an age is negative or a stretch has no length.
    """
    if not (older_than_s >= 0.0 and every_s > 0.0):
        msg = (
            f"older_than_s {older_than_s} and every_s {every_s}:"
            " expected 0 or more, and more than 0"
        )
        raise ValueError(msg)
    horizon: Horizon | None = await run(
        lambda connection: find_horizon(connection, older_than_s=older_than_s)
    )
    if horizon is None:
        return 0
    tables: list[str] = await run(thinned_tables)
    return sum([await _thin_table(run, table, horizon, every_s) for table in tables])


async def _thin_table(run: Run, table: str, horizon: Horizon, every_s: float) -> int:
    deleted = 0
    while True:
        chunk: Chunk = await run(
            lambda connection: thin_chunk(connection, table, horizon, every_s=every_s)
        )
        deleted += chunk.deleted
        if chunk.is_last:
            return deleted


def thinned_tables(connection: sqlite3.Connection) -> list[str]:
    """Tables that `thin_chunk` takes."""
    return [*reading_tables(connection), GAPS]


def find_horizon(
    connection: sqlite3.Connection, *, older_than_s: float
) -> Horizon | None:
    """Where what is older than that ends; None where nothing is so old."""
    clocks = _clocks_backwards(connection)
    newest = next(clocks, None)
    if newest is None:
        return None
    age_s = _newest_s(connection, newest) - newest.monotonic_s
    if age_s >= older_than_s:
        return _horizon(newest, age_s, older_than_s)
    for later, clock in pairwise(chain([newest], clocks)):
        age_s += _elapsed_s(clock, later)
        if age_s >= older_than_s:
            return _horizon(clock, age_s, older_than_s)
    return None


def _horizon(clock: StoredClock, age_s: float, older_than_s: float) -> Horizon:
    return Horizon(clock.number, clock.monotonic_s + age_s - older_than_s)


def _clocks_backwards(connection: sqlite3.Connection) -> Iterator[StoredClock]:
    before = _ENDLESS
    while page := connection.execute(
        f"SELECT {CLOCK_COLUMNS} FROM clocks WHERE id < ? ORDER BY id DESC LIMIT ?",  # noqa: S608 - names of ours
        (before, _CLOCKS),
    ).fetchall():
        yield from (StoredClock(*row) for row in page)
        before = page[-1][0]


def _newest_s(connection: sqlite3.Connection, clock: StoredClock) -> float:
    """When the newest reading or gap by that clock came [s]; never before the clock itself."""
    found = [
        connection.execute(
            f"SELECT clock_id, at_s FROM {quoted(table)}"  # noqa: S608 - a name of ours
            f" ORDER BY {_kind(table).number} DESC LIMIT 1"
        ).fetchone()
        for table in thinned_tables(connection)
    ]
    times = [float(row[1]) for row in found if row and row[0] == clock.number]
    return max([clock.monotonic_s, *times])


def _elapsed_s(earlier: StoredClock, later: StoredClock) -> float:
    if (earlier.boot_id, earlier.speed) == (later.boot_id, later.speed):
        elapsed_s = later.monotonic_s - earlier.monotonic_s
    else:
        elapsed_s = (later.utc_us - earlier.utc_us) / 1e6 * later.speed
    return max(0.0, elapsed_s)


def thin_chunk(
    connection: sqlite3.Connection, table: str, horizon: Horizon, *, every_s: float
) -> Chunk:
    """Look at the next rows of a table and delete what need not stay.

    Args:
        connection: In a transaction.
        table: One of thinned_tables().
        horizon: What is old enough.
        every_s: The first row of each stretch of this length stays [s].
    """
    kind = _kind(table)
    mark, kept = _mark(connection, table)
    stretch = _outside_spans(connection, kind, mark)
    if stretch is None:
        return Chunk(0, is_last=True)
    start, end = stretch
    rows = _rows(connection, kind, start, end)
    old = list(takewhile(lambda row: _is_old(row, horizon), rows))
    surplus = [row.number for row in old if _is_surplus(row, kept, every_s)]
    connection.executemany(
        f"DELETE FROM {quoted(table)} WHERE {kind.number} = ?",  # noqa: S608 - names of ours
        [(number,) for number in surplus],
    )
    is_through = len(old) == len(rows) < CHUNK_ROWS
    if is_through and end != _ENDLESS:
        start = end - 1  # whatever comes from now on has a later number
    elif old:
        start = old[-1].number
    _set_mark(connection, table, start, kept)
    is_last = len(old) < len(rows) or (is_through and end == _ENDLESS)
    return Chunk(len(surplus), is_last)


def _kind(table: str) -> _Kind:
    if table == GAPS:
        label = "json_array(r.instrument, r.reason)"
        return _Kind(table, "id", label, "first_gap", "last_gap")
    return _Kind(table, "seq", "''", "first_seq", "last_seq")


def _outside_spans(
    connection: sqlite3.Connection, kind: _Kind, mark: int
) -> tuple[int, int] | None:
    """Next stretch of numbers after the mark that lie in no span, both ends left out; None before a span that is open."""
    last = f"coalesce({kind.last}, {_ENDLESS})"
    inside = (
        f"SELECT max({last}) FROM spans WHERE {kind.first} <= ?1 + 1 AND {last} > ?1"  # noqa: S608 - names of ours
    )
    while (covered := _one(connection, inside, mark)) is not None:
        if covered == _ENDLESS:
            return None
        mark = covered
    ahead = f"SELECT min({kind.first}) FROM spans WHERE {kind.first} > ? AND {last} >= {kind.first}"  # noqa: S608 - names of ours
    return mark, _one(connection, ahead, mark) or _ENDLESS


def _one(connection: sqlite3.Connection, question: str, mark: int) -> int | None:
    (found,) = connection.execute(question, (mark,)).fetchone()
    return None if found is None else int(found)


def _rows(
    connection: sqlite3.Connection, kind: _Kind, start: int, end: int
) -> list[_Row]:
    rows = connection.execute(
        f"SELECT r.{kind.number}, r.clock_id, c.boot_id, r.trial_id, r.at_s, {kind.label}"  # noqa: S608 - names of ours
        f" FROM {quoted(kind.table)} r JOIN clocks c ON c.id = r.clock_id"
        f" WHERE r.{kind.number} > ? AND r.{kind.number} < ?"
        f" ORDER BY r.{kind.number} LIMIT {CHUNK_ROWS}",
        (start, end),
    )
    return [_Row(*row) for row in rows]


def _is_old(row: _Row, horizon: Horizon) -> bool:
    if row.clock_id != horizon.clock_id:
        return row.clock_id < horizon.clock_id
    return row.at_s < horizon.before_s


def _is_surplus(row: _Row, kept: dict[str, list[object]], every_s: float) -> bool:
    """Whether a row may go; one that is the first of its stretch is noted in `kept`."""
    if row.trial is not None:
        return False
    stretch: list[object] = [row.boot_id, math.floor(row.at_s / every_s) * every_s]
    if kept.get(row.label) == stretch:
        return True
    kept[row.label] = stretch
    return False


def _mark(
    connection: sqlite3.Connection, table: str
) -> tuple[int, dict[str, list[object]]]:
    found = connection.execute(
        "SELECT done_to, kept_json FROM thinning WHERE table_name = ?", (table,)
    ).fetchone()
    return (int(found[0]), json.loads(found[1])) if found else (0, {})


def _set_mark(
    connection: sqlite3.Connection,
    table: str,
    done_to: int,
    kept: dict[str, list[object]],
) -> None:
    connection.execute(
        "INSERT INTO thinning (table_name, done_to, kept_json) VALUES (?, ?, ?)"
        " ON CONFLICT DO UPDATE SET done_to = excluded.done_to, kept_json = excluded.kept_json",
        (table, done_to, json.dumps(kept)),
    )
