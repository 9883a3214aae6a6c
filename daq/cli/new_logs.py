"""Meters that keep logs, as `daq new` is told of them: columns that become channels, and what `daq import` wants then."""

import argparse
import shlex
from collections.abc import Collection, Sequence
from pathlib import Path

from daq.cli.imported_columns import WantedColumn, wanted_column
from daq.config.plan import parse_stored_plan
from daq.printable import is_shown_as_it_is
from daq.records import Accuracy, Channel
from daq.starting_files import SWITCHED, LoggedChannel
from daq.units import unit_of

_MOST = 32
_EXPECTED = 'COLUMN=CHANNEL:UNIT:PLACE, like "Power=power:W:machine end"'
_USUAL_INTERVAL_S = 1.0


def read_columns(
    texts: Sequence[str], taken: Collection[str]
) -> tuple[WantedColumn, ...]:
    """Columns as they were typed, one a text.

    Args:
        texts: Like Power=power:W:machine end, as `daq import --column` takes them.
        taken: Names that no channel may have.

    Raises:
        ValueError: With what was expected.
    """
    if not 1 <= len(texts) <= _MOST:
        msg = f"got {len(texts)} columns, expected 1 to {_MOST}: {_EXPECTED}"
        raise ValueError(msg)
    columns = tuple(map(_column, texts))
    names = [column.name for column in columns]
    for name in names:
        if name in taken:
            msg = f"{name!r} is the name of what is derived, expected another name, like log_{name}"
            raise ValueError(msg)
        if names.count(name) > 1:
            msg = f"two channels of the name {name!r}, expected one of each"
            raise ValueError(msg)
    if not any(channel.quantity in SWITCHED for channel in channels_of(columns)):
        msg = f"no column tells when the machine is on, expected one of {', '.join(SWITCHED)}"
        raise ValueError(msg)
    return columns


def _column(text: str) -> WantedColumn:
    if not is_shown_as_it_is(text):
        msg = f"got {text!r}, expected one line without control characters, marks that turn the direction of writing or characters that nobody sees"
        raise ValueError(msg)
    try:
        column = wanted_column(text)
    except argparse.ArgumentTypeError as exc:
        raise ValueError(str(exc)) from exc
    if column.unit is None:
        msg = f"got {text!r} without a unit, expected {_EXPECTED}"
        raise ValueError(msg)
    return column


def channels_of(columns: Sequence[WantedColumn]) -> tuple[LoggedChannel, ...]:
    """The channels that they are to become."""
    return tuple(
        LoggedChannel(column.name, unit_of(column.unit or "").symbol, column.place)
        for column in columns
    )


def check_plan(plan: Path, channels: Sequence[LoggedChannel]) -> None:
    """Hold a plan against the channels of logs, as `daq import --plan` will.

    Raises:
        ConfigurationError: With every fault.
    """
    known = tuple(
        Channel(
            name=channel.name,
            title=channel.name,
            quantity=channel.quantity,
            unit=channel.unit,
            place=channel.place,
            instrument="log",
            field_index=index,
            accuracy=Accuracy(),
            interval_s=_USUAL_INTERVAL_S,
        )
        for index, channel in enumerate(channels)
    )
    text = plan.read_text(encoding="utf-8")
    parse_stored_plan(text, session=0, channels=known, file=str(plan))


def import_command(daq: str, folder: Path, columns: Sequence[WantedColumn]) -> str:
    """What to type to make a session of the logs, LOG.csv for the name of each."""
    files = max(column.file or 1 for column in columns)
    logs = ["LOG.csv"] if files == 1 else [f"LOG-{n}.csv" for n in range(1, files + 1)]
    words = [str(folder / "logs.db"), *logs, "--plan", str(folder / "plan.toml")]
    for column in columns:
        words += ["--column", _as_option(column)]
    return f"{daq} import {shlex.join(words)}"


def _as_option(column: WantedColumn) -> str:
    file = "" if column.file is None else f"{column.file}/"
    place = f":{column.place}" if column.place else ""
    return f"{file}{column.column}={column.name}:{column.unit}{place}"
