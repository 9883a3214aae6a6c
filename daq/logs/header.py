"""Which row of a log is its header: meters write their name, serial number and settings above it.

By the names that are wanted, else by shape: the row above the first reading, if it is as wide. No row that may be a
reading is passed over for its shape; where nothing tells, the first row is the header.
"""

import re
from collections.abc import Iterable, Sequence

from daq.delimited.columns import holds_names
from daq.delimited.rows import Row

SEARCHED = 60
"""Rows in which the header is looked for [1]."""
_LEAST_NAMES = 2
_FIGURE = re.compile(r"[-+]?[.,]?\d")
"""How numbers, dates and times of day begin."""


def header_position(
    rows: Sequence[Row], names: Iterable[Sequence[str]], separator: str
) -> int:
    """Position of the header among the first rows of a log.

    Args:
        rows: Of the log, at least one.
        names: Of columns that the header has, the likeliest set first; numbers of columns among them tell nothing.
        separator: That parts the columns.

    Returns:
        Position of the first row that has all of a set, else of the row as wide above the first reading, else 0 [1].
    """
    head = rows[:SEARCHED]
    for each in names:
        wanted = {
            name.strip().casefold() for name in each if not name.strip().isdecimal()
        }
        for position, row in enumerate(head if wanted else ()):
            there = {text.strip().casefold() for text in row.fields}
            if wanted <= there and _may_be_header(row, separator):
                return position
    first = next((i for i, row in enumerate(head) if _may_be_reading(row)), 0)
    if first and _is_header_of(head[first - 1], head[first], separator):
        return first - 1
    return 0


def _may_be_reading(row: Row) -> bool:
    filled = [text.strip() for text in row.fields if text.strip()]
    figures = sum(bool(_FIGURE.match(text)) for text in filled)
    begins = bool(_FIGURE.match(row.fields[0].strip()))
    return len(row.fields) > 1 and begins and 2 * figures > len(filled)


def _is_header_of(row: Row, reading: Row, separator: str) -> bool:
    is_as_wide = len(row.fields) == len(reading.fields)
    return is_as_wide and _may_be_header(row, separator)


def _may_be_header(row: Row, separator: str) -> bool:
    """A line of its own with the name of a quantity is a title."""
    filled = sum(bool(text.strip()) for text in row.fields)
    return filled >= _LEAST_NAMES and holds_names(row.fields, separator)
