"""Names and SQL that follow from a bench: tables, columns, insert statements.

Knows no connection. Names are made of ASCII letters, digits and underscores only, so
quoting them is enough to put them into SQL text. A column's name ends in its unit.
"""

import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from operator import itemgetter

from daq.units import unit_of

SqlValue = str | float | None
Values = tuple[float | None, ...]

READING_COLUMNS = ("seq", "clock_id", "trial_id", "at_s", "flags")
"""Columns that every table of readings has beside the channels."""


def utc_text(clock: str, at_s: str) -> str:
    """SQL for the UTC of a bench time: RFC 3339 with milliseconds.

    Args:
        clock: Name or alias of the clocks table in the statement.
        at_s: SQL of the time on that clock [s].
    """
    seconds = f"{clock}.utc_us / 1e6 + ({at_s} - {clock}.monotonic_s) / {clock}.speed"
    return f"strftime('%Y-%m-%dT%H:%M:%fZ', {seconds}, 'unixepoch')"


def quoted(name: str) -> str:
    """A name as SQL wants it, even if it is a keyword or starts with a digit."""
    return f'"{name}"'


def safe_name(text: str) -> str:
    """Letters, digits and underscores of a name; the rest becomes underscores."""
    return re.sub(r"\W", "_", text, flags=re.ASCII)


def table_name(instrument: str, *, taken: Collection[str]) -> str:
    """Name of an instrument's table such that it and its view are free.

    Args:
        instrument: Its name on the bench.
        taken: Names in use, in lower case: SQLite does not tell cases apart.
    """
    base = f"readings_{safe_name(instrument)}"
    name, number = base, 1
    while name.lower() in taken or view_name(name).lower() in taken:
        number += 1
        name = f"{base}_{number}"
    return name


def view_name(table: str) -> str:
    """Name of the view that shows a table of readings with UTC."""
    return f"{table}_utc"


def column_name(channel: str, unit: str, *, taken: Collection[str]) -> str:
    """Name of a channel's column: the channel, then its unit unless it ends so already.

    Args:
        channel: Name of the channel.
        unit: Its unit, one of units.UNITS.
        taken: Names in use, in lower case.
    """
    suffix = f"_{unit_of(unit).column_suffix}"
    base = safe_name(channel).removesuffix(suffix)
    name, number = base + suffix, 1
    while name.lower() in taken:
        number += 1
        name = f"{base}_{number}{suffix}"
    return name


@dataclass(frozen=True, slots=True)
class InstrumentTable:
    """Where an instrument's readings go.

    Attributes:
        name: Of the table.
        insert: Statement for one row.
        pick: Takes the values of the channels' columns out of a reading's values.
    """

    name: str
    insert: str
    pick: Callable[[Values], Values]


def instrument_table(
    name: str, *, columns: Sequence[str], field_indices: Sequence[int]
) -> InstrumentTable:
    """Describe a table whose columns hold these fields of a reading, in this order."""
    names = ", ".join(quoted(column) for column in (*READING_COLUMNS, *columns))
    marks = ", ".join("?" * (len(READING_COLUMNS) + len(columns)))
    return InstrumentTable(
        name=name,
        insert=f"INSERT INTO {quoted(name)} ({names}) VALUES ({marks})",  # noqa: S608 - names are safe_name()s
        pick=_picker(field_indices),
    )


def _picker(field_indices: Sequence[int]) -> Callable[[Values], Values]:
    if len(field_indices) == 1:
        only = field_indices[0]
        return lambda values: (values[only],)
    return itemgetter(*field_indices)
