"""Reads what was read in a stored trial, with the places where something is missing. Read-only, any format.

Readings come page by page, as in reading.py; what is drawn is thinned by whoever draws it.
"""

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daq.records import Window
from daq.runtime.store.layout import quoted
from daq.runtime.store.opening import reading_store
from daq.runtime.store.past import first_row, tables_of, window_of
from daq.runtime.store.reading import PAGE_ROWS
from daq.runtime.store.taken_back import taken_back_of


@dataclass(frozen=True, slots=True)
class PastReadings:
    """A trial's readings by channel: times [s] on the trial's clock, rising, and values, not-a-number where one is missing."""

    started_s: float
    window: Window | None
    channels: Mapping[str, tuple[NDArray[np.float64], NDArray[np.float64]]]


def read_past_readings(path: Path, session: int, trial: int) -> PastReadings | None:
    """Read what was read in a trial and not taken back; None where that session has no trial of that number.

    Raises:
        StoreError: As for read_past_session().
    """
    with reading_store(path) as connection:
        found = first_row(
            connection,
            "SELECT * FROM trials WHERE id = ? AND session_id = ?",
            trial,
            session,
        )
        if found is None:
            return None
        missing = _missing(connection, trial)
        channels: dict[str, tuple[NDArray[np.float64], NDArray[np.float64]]] = {}
        taken = [each.taken for each in taken_back_of(connection, trial)]
        for instrument, table, columns in tables_of(
            connection, found.get("newest_channel_id")
        ):
            rows = _rows(connection, table, list(columns.values()), trial)
            gaps_s = missing.get(instrument, np.empty(0))
            for index, name in enumerate(columns, 2):
                taken_s = [each.at_s for each in taken if each.channel == name]
                there = rows[~np.isin(rows[:, 1], taken_s)]
                channels[name] = _with_gaps(there[:, 1], there[:, index], gaps_s)
    drawn = {name: found for name, found in channels.items() if len(found[0])}
    return PastReadings(found["started_s"], window_of(found), drawn)


# ---- inside


def _rows(
    connection: sqlite3.Connection, table: str, columns: Sequence[str], trial: int
) -> NDArray[np.float64]:
    """Number, time and values of a trial's readings. Shape (n, 2 + columns)."""
    pages = [np.empty((0, 2 + len(columns)))]
    first, last = (
        connection.execute(
            f"SELECT {end}(seq) FROM {quoted(table)} WHERE trial_id = ?",  # noqa: S608 - names of ours
            (trial,),
        ).fetchone()[0]
        for end in ("min", "max")
    )
    names = ", ".join(quoted(column) for column in columns)
    # They lie together: going through the stretch takes half as long as finding each by the index, which + forbids.
    statement = (
        f"SELECT seq, at_s, {names} FROM {quoted(table)}"  # noqa: S608 - names of ours
        " WHERE seq BETWEEN ? AND ? AND +trial_id = ? ORDER BY seq LIMIT ?"
    )
    while first is not None and (
        page := connection.execute(
            statement, (first, last, trial, PAGE_ROWS)
        ).fetchall()
    ):
        # Nothing (NULL) becomes not-a-number, which no stored reading is.
        pages.append(np.array(page, dtype=np.float64))
        first = page[-1][0] + 1
    return np.concatenate(pages)


def _missing(
    connection: sqlite3.Connection, trial: int
) -> dict[str, NDArray[np.float64]]:
    """When readings of a trial did not come, by instrument [s]."""
    rows = connection.execute(
        "SELECT instrument, at_s FROM gaps WHERE trial_id = ?", (trial,)
    )
    found: dict[str, list[float]] = {}
    for instrument, at_s in rows:
        found.setdefault(instrument, []).append(at_s)
    return {name: np.array(times) for name, times in found.items()}


def _with_gaps(
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    gaps_s: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    all_times = np.concatenate([times, gaps_s])
    all_values = np.concatenate([values, np.full(len(gaps_s), np.nan)])
    order = np.argsort(all_times, kind="stable")
    return all_times[order], all_values[order]
