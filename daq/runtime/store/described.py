"""Channels as a store describes them: one row of its table, one record."""

import json
from collections.abc import Sequence

from daq.records import Accuracy, Channel
from daq.runtime.store.spoilt import reading_record

_COLUMNS = (
    "name",
    "title",
    "quantity",
    "unit",
    "place",
    "instrument",
    "field_index",
    "accuracy_json",
    "interval_s",
)
DESCRIPTION = ", ".join(_COLUMNS)
"""Columns that `channel_of` takes, in every format of the store."""


def described(table: str) -> str:
    """The same columns of a table that goes by another name in a statement."""
    return ", ".join(f"{table}.{column}" for column in _COLUMNS)


def channel_of(cells: Sequence[object], *, subtract_idle: bool = False) -> Channel:
    """A channel from the columns of `DESCRIPTION`; format 1 knows no idle readings.

    Raises:
        RecordSpoiltError: If what is stored of it is none any more.
    """
    name, title, quantity, unit, place, instrument, index, accuracy, interval_s = cells
    with reading_record(f"channel {name}"):
        return Channel(
            name=str(name),
            title=str(title),
            quantity=str(quantity),
            unit=str(unit),
            place=str(place),
            instrument=str(instrument),
            field_index=int(str(index)),
            accuracy=Accuracy(**json.loads(str(accuracy))),
            interval_s=float(str(interval_s)),
            subtract_idle=subtract_idle,
        )
