"""Reads what the averages of a session were made of, window by window; read-only, as reading.py. Any format."""

import sqlite3
from pathlib import Path

import numpy as np

from daq.comparison.session import SessionFigures
from daq.comparison.standing_still import StoodStill, WindowReadings, stood_still
from daq.runtime.store.layout import quoted
from daq.runtime.store.opening import reading_store
from daq.runtime.store.schema import file_format

_WITH_ANALYSES = 2
"""Format of the first stores that hold averages of more than one analysis."""
_AVERAGES = (
    "SELECT h.table_name, h.column_name, a.window_start_s, a.window_end_s FROM averages a"
    " JOIN channels h ON h.id = a.channel_id WHERE a.trial_id = ? AND a.channel = ?"
)


def read_stood_still(path: Path, figures: SessionFigures) -> tuple[StoodStill, ...]:
    """In which trials a channel stood still, of those that are compared; in the order of the quantities.

    Args:
        path: Of the store.
        figures: Of the session.

    Raises:
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    with reading_store(path, readings=True) as connection:
        averages = _AVERAGES
        if file_format(connection) >= _WITH_ANALYSES:
            averages += f" AND a.analysis_id = {figures.analysis:d}"
        return tuple(
            found
            for quantity in figures.quantities
            if not quantity.formula
            for windows in _windows(connection, figures, quantity.name, averages)
            for found in stood_still(quantity.name, windows)
        )


def _windows(
    connection: sqlite3.Connection, figures: SessionFigures, channel: str, averages: str
) -> list[list[WindowReadings]]:
    """Readings of a channel in the trials that are compared; apart for each column that it was kept in."""
    by_column: dict[tuple[str, str], list[WindowReadings]] = {}
    for observation in figures.observations.get(channel, ()):
        rows = connection.execute(averages, (observation.trial, channel)).fetchall()
        for table, column, start_s, end_s in rows:
            values = connection.execute(
                f"SELECT r.{quoted(column)} FROM {quoted(table)} r"  # noqa: S608 - names of ours
                f" WHERE r.trial_id = ? AND r.{quoted(column)} IS NOT NULL AND r.at_s BETWEEN ? AND ? ORDER BY r.at_s",
                (observation.trial, start_s, end_s),
            ).fetchall()
            kept = np.array(values, dtype=np.float64).reshape(-1)
            window = WindowReadings(observation.trial, kept)
            by_column.setdefault((table, column), []).append(window)
    return list(by_column.values())
