"""Fits a results file to a bench: a table an instrument, a column a channel and unit.

A changed bench adds tables and columns; it renames and removes none, so old readings
stay under the name they were written with. The table `channels` remembers what every
column means, and how a channel was described at the time.
"""

import dataclasses
import json
import sqlite3
from collections.abc import Mapping, Sequence

from daq.records import Channel
from daq.runtime.store.layout import (
    READING_COLUMNS,
    InstrumentTable,
    SqlValue,
    column_name,
    instrument_table,
    quoted,
    table_name,
    utc_text,
    view_name,
)

_DESCRIPTION = (
    "name, instrument, table_name, column_name, field_index, quantity, unit, place,"
    " title, accuracy_json, interval_s, subtract_idle"
)


def fit_to_bench(
    connection: sqlite3.Connection, instruments: Mapping[str, Sequence[Channel]]
) -> dict[str, InstrumentTable | None]:
    """Add what the bench needs, in the transaction that is open.

    Returns:
        Where each instrument's readings go; None for one of which no field is a
        channel, for there is nothing to keep of it.
    """
    return {
        instrument: _fit_instrument(connection, instrument, channels)
        if channels
        else None
        for instrument, channels in instruments.items()
    }


def _fit_instrument(
    connection: sqlite3.Connection, instrument: str, channels: Sequence[Channel]
) -> InstrumentTable:
    table = _find_table(connection, instrument) or _add_table(connection, instrument)
    before = table_columns(connection, table)
    columns = [_fit_channel(connection, table, channel) for channel in channels]
    if not set(before).issuperset(columns):
        show_with_utc(connection, table)
    return instrument_table(
        table,
        columns=columns,
        field_indices=[channel.field_index for channel in channels],
    )


def _find_table(connection: sqlite3.Connection, instrument: str) -> str | None:
    found = connection.execute(
        "SELECT table_name FROM channels WHERE instrument = ? LIMIT 1", (instrument,)
    ).fetchone()
    return str(found[0]) if found else None


def _add_table(connection: sqlite3.Connection, instrument: str) -> str:
    taken = {
        name for (name,) in connection.execute("SELECT lower(name) FROM sqlite_master")
    }
    table = table_name(instrument, taken=taken)
    connection.execute(
        f"""CREATE TABLE {quoted(table)} (
  seq INTEGER PRIMARY KEY, -- order of arrival, counted over all instruments together
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  trial_id INTEGER REFERENCES trials (id), -- NULL: between trials
  at_s REAL NOT NULL,
  flags INTEGER NOT NULL -- 1: after a drain; 2 << field_index: value unusable
) STRICT"""
    )
    # Partial, so that the hours between trials cost no room in it.
    connection.execute(
        f"CREATE INDEX {quoted(f'{table}_by_trial')} ON {quoted(table)} (trial_id)"
        " WHERE trial_id IS NOT NULL"
    )
    return table


def table_columns(connection: sqlite3.Connection, table: str) -> tuple[str, ...]:
    """Columns of a table as they stand in it."""
    rows = connection.execute("SELECT name FROM pragma_table_info(?)", (table,))
    return tuple(name for (name,) in rows)


def _fit_channel(connection: sqlite3.Connection, table: str, channel: Channel) -> str:
    column = _find_column(connection, table, channel)
    if column is None:
        taken = {name.lower() for name in table_columns(connection, table)}
        column = column_name(channel.name, channel.unit, taken=taken)
        connection.execute(
            f"ALTER TABLE {quoted(table)} ADD COLUMN {quoted(column)} REAL"
        )
    _describe(connection, table, column, channel)
    return column


def _find_column(
    connection: sqlite3.Connection, table: str, channel: Channel
) -> str | None:
    found = connection.execute(
        "SELECT column_name FROM channels"
        " WHERE table_name = ? AND name = ? AND unit = ? LIMIT 1",
        (table, channel.name, channel.unit),
    ).fetchone()
    return str(found[0]) if found else None


def _describe(
    connection: sqlite3.Connection, table: str, column: str, channel: Channel
) -> None:
    """Add a row to `channels` unless the channel's newest row says the same."""
    description: tuple[SqlValue, ...] = (
        channel.name,
        channel.instrument,
        table,
        column,
        channel.field_index,
        channel.quantity,
        channel.unit,
        channel.place,
        channel.title,
        json.dumps(dataclasses.asdict(channel.accuracy)),
        channel.interval_s,
        int(channel.subtract_idle),
    )
    newest = connection.execute(
        f"SELECT {_DESCRIPTION} FROM channels WHERE name = ? ORDER BY id DESC LIMIT 1",  # noqa: S608 - a constant
        (channel.name,),
    ).fetchone()
    if newest != description:
        marks = ", ".join("?" * len(description))
        connection.execute(
            f"INSERT INTO channels ({_DESCRIPTION}, first_seen_utc)"  # noqa: S608 - a constant
            f" VALUES ({marks}, strftime('%Y-%m-%dT%H:%M:%fZ', 'now'))",
            description,
        )


def show_with_utc(connection: sqlite3.Connection, table: str) -> None:
    """Make the view of a table anew, with all its columns and the UTC first."""
    connection.execute(f"DROP VIEW IF EXISTS {quoted(view_name(table))}")
    connection.execute(_text_with_utc(table, table_columns(connection, table)))


def texts_with_utc(table: str, columns: Sequence[str]) -> frozenset[str]:
    """Every text that the view of a table can have: columns that somebody else added to the table are not in it.

    Args:
        table: Its name.
        columns: That it has, in their order.
    """
    return frozenset(
        _text_with_utc(table, columns[:count])
        for count in range(len(READING_COLUMNS), len(columns) + 1)
    )


def _text_with_utc(table: str, columns: Sequence[str]) -> str:
    shown = ", ".join(f"r.{quoted(name)}" for name in columns if name != "clock_id")
    return (
        f"CREATE VIEW {quoted(view_name(table))} AS SELECT {utc_text('c', 'r.at_s')} AS utc, {shown}"  # noqa: S608 - names are safe_name()s
        f" FROM {quoted(table)} r JOIN clocks c ON c.id = r.clock_id"
    )
