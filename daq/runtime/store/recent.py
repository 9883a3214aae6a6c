"""Reads what was read last before this run of the program, thinned, on the clock of this run. Read-only, while the store is written.

Goes backwards from the newest reading, boot by boot, and stops where the time asked for is used up. Within a boot the
bench's clock goes on, and times stand as they are; across boots UTC ties them together. Where it contradicts itself,
because the computer's clock was set, and where the clock ran at another speed, nothing older is taken: no reading is told
at a time at which it was not read. The database thins, so that the polls, which go on beside it, have Python to themselves.
"""

import sqlite3
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from daq.runtime.store.layout import quoted
from daq.runtime.store.opening import reading_store
from daq.runtime.store.past import tables_of
from daq.runtime.store.stored_clock import CLOCK_COLUMNS, StoredClock
from daq.runtime.store.taken_back import all_taken_back

Timed = list[tuple[float, float | None]]
"""Times [s] on the present clock, rising, and values; None where a reading has none."""

_ENDLESS = 2**62


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Numbers of readings of one boot that lie within the time asked for, and what is added to their times [s]."""

    first: int
    last: int
    shift_s: float


def read_recent(
    path: Path, *, clock_id: int, span_s: float, stretch_s: float
) -> dict[str, Timed]:
    """Read what was read before this run and not taken back, channel by channel.

    Args:
        path: Of the store.
        clock_id: Row of `clocks` that this run began with.
        span_s: So far back from that moment on [s of bench time].
        stretch_s: Of each stretch of this length [same] come the least, the greatest and the newest reading, and a gap.

    Returns:
        By channel, as they were described last.

    Raises:
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    found: dict[str, Timed] = {}
    with reading_store(path) as connection:
        present = StoredClock(
            *connection.execute(
                f"SELECT {CLOCK_COLUMNS} FROM clocks WHERE id = ?",  # noqa: S608 - names of ours
                (clock_id,),
            ).fetchone()
        )
        shift_s_of = _shifts(connection, present)
        taken = all_taken_back(connection)
        for _, table, columns in tables_of(connection, None):
            back = _stretches(connection, table, present, span_s, shift_s_of)
            stretches = [*back][::-1]
            for name, column in columns.items():
                found[name] = [
                    point
                    for each in stretches
                    for point in _without(
                        [t.at_s + each.shift_s for t in taken if t.channel == name],
                        _thinned(connection, table, column, each, stretch_s),
                    )
                ]
    return found


# ---- inside


def _without(taken_s: Collection[float], points: Timed) -> Timed:
    """What is typed comes too seldom for another reading to be thinned out by one that was taken back."""
    return [point for point in points if point[0] not in taken_s]


def _stretches(
    connection: sqlite3.Connection,
    table: str,
    present: StoredClock,
    span_s: float,
    shift_s_of: Callable[[str], float],
) -> Iterator[_Stretch]:
    """Those of a table, newest first."""
    newest_first = (
        "SELECT r.seq, r.at_s, c.boot_id, c.speed"  # noqa: S608 - a name of ours
        f" FROM {quoted(table)} r JOIN clocks c ON c.id = r.clock_id WHERE r.seq < ?"
    )
    oldest_s, later_s = present.monotonic_s - span_s, present.monotonic_s
    newest = connection.execute(
        f"{newest_first} AND r.clock_id < ? ORDER BY r.seq DESC LIMIT 1",
        (_ENDLESS, present.number),
    ).fetchone()
    while newest is not None:
        last, at_s, boot_id, speed = newest
        shift_s = shift_s_of(boot_id)
        if speed != present.speed or not oldest_s <= at_s + shift_s <= later_s:
            return
        newest = connection.execute(
            f"{newest_first} AND (c.boot_id <> ? OR c.speed <> ? OR r.at_s < ?)"
            " ORDER BY r.seq DESC LIMIT 1",
            (last, boot_id, speed, oldest_s - shift_s),
        ).fetchone()
        first = newest[0] + 1 if newest else 0
        yield _Stretch(first, last, shift_s)
        (first_at_s,) = connection.execute(
            f"SELECT at_s FROM {quoted(table)} WHERE seq >= ? ORDER BY seq LIMIT 1",  # noqa: S608 - a name of ours
            (first,),
        ).fetchone()
        later_s = first_at_s + shift_s


def _shifts(
    connection: sqlite3.Connection, present: StoredClock
) -> Callable[[str], float]:
    """How much is added to times of a boot to have them on the present clock [s]."""
    known = {present.boot_id: 0.0}

    def shift_s_of(boot_id: str) -> float:
        # One figure for a whole boot: within it the clock that is never set counts.
        if boot_id not in known:
            monotonic_s, utc_us = connection.execute(
                "SELECT monotonic_s, utc_us FROM clocks"
                " WHERE boot_id = ? AND id < ? ORDER BY id DESC LIMIT 1",
                (boot_id, present.number),
            ).fetchone()
            since_s = (present.utc_us - utc_us) / 1e6 * present.speed
            known[boot_id] = present.monotonic_s - since_s - monotonic_s
        return known[boot_id]

    return shift_s_of


def _thinned(
    connection: sqlite3.Connection,
    table: str,
    column: str,
    stretch: _Stretch,
    stretch_s: float,
) -> Timed:
    """Points of one channel, rising, each once."""
    value = quoted(column)
    # Beside a single min() or max() SQLite gives the other columns of the row where it stands. 1e9: cast cuts towards zero.
    parts = " UNION ".join(
        f"SELECT t, v FROM (SELECT {kept}, at_s + ?3 AS t, {value} AS v FROM {quoted(table)}"  # noqa: S608 - names of ours
        f" WHERE seq BETWEEN ?1 AND ?2 AND {value} IS {which}"
        " GROUP BY cast((at_s + ?3) / ?4 + 1e9 AS INTEGER))"
        for kept, which in (
            (f"min({value})", "NOT NULL"),
            (f"max({value})", "NOT NULL"),
            ("max(at_s)", "NOT NULL"),
            ("max(at_s)", "NULL"),
        )
    )
    return connection.execute(
        f"{parts} ORDER BY t", (stretch.first, stretch.last, stretch.shift_s, stretch_s)
    ).fetchall()
