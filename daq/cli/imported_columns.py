"""Which columns of a log become channels, and what is known of their errors: words of the command line into channels."""

import argparse
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from daq.cli.files import load_bench, read_text
from daq.config.accuracy import accuracy_of
from daq.config.bench import parse_profile
from daq.errors import InputError
from daq.logs.table import LogTable
from daq.records import Accuracy, Channel
from daq.units import UNITS, unit_of

_CHANNEL = re.compile(r"[a-z][a-z0-9_]{0,59}")
_FILE = re.compile(r"(\d+)/(.+)")
_TERM = re.compile(r"(\d+(?:[.,]\d*)?|[.,]\d+)\s*(%|d|)")
"""Only whole numbers and decimals occur here, so a comma can be nothing but a decimal sign."""


@dataclass(frozen=True, slots=True)
class WantedColumn:
    """One column that is to become a channel.

    Attributes:
        file: Number of its log, from 1; None where its name tells.
        column: Its name or number in the log.
        name: Of the channel.
        unit: Its unit; None where a bench or a profile tells.
        place: Where it was measured; empty where nobody said.
    """

    file: int | None
    column: str
    name: str
    unit: str | None
    place: str


@dataclass(frozen=True, slots=True)
class Known:
    """What benches, profiles and people say of channels.

    Attributes:
        channels: Described by a bench or a profile, by name.
        accuracies: Stated on the command line, by name; without a resolution.
        zeros: Names of the channels whose idle reading is taken off.
    """

    channels: Mapping[str, Channel]
    accuracies: Mapping[str, Accuracy]
    zeros: frozenset[str]


def wanted_column(text: str) -> WantedColumn:
    """COLUMN=NAME[:UNIT[:PLACE]], the column perhaps with the number of its file before a slash."""
    expected = 'COLUMN=CHANNEL:UNIT:PLACE, like "Power=power:W:machine end"'
    column, equals, rest = text.rpartition("=")
    name, _, more = rest.partition(":")
    unit, _, place = more.partition(":")
    if not equals or not column.strip() or not _CHANNEL.fullmatch(name.strip()):
        msg = f"got {text!r}, expected {expected}; a channel's name is of small letters, digits and _"
        raise argparse.ArgumentTypeError(msg)
    if unit and unit not in UNITS:
        msg = f"got {text!r}: unknown unit {unit!r}, expected one of {', '.join(UNITS)}"
        raise argparse.ArgumentTypeError(msg)
    numbered = _FILE.fullmatch(column.strip())
    file, bare = (int(numbered[1]), numbered[2]) if numbered else (None, column)
    return WantedColumn(file, bare.strip(), name.strip(), unit or None, place.strip())


def stated_accuracy(text: str) -> tuple[str, Accuracy]:
    """CHANNEL=TERM+TERM…: 0.5% or 0,5% of reading, 2d of the display, a bare number in the channel's unit."""
    expected = "CHANNEL=0.5%+2d: percent of reading, digits of the display (d), a bare number in the channel's unit"
    name, equals, terms = text.partition("=")
    found: dict[str, float] = {}
    for term in terms.split("+"):
        match = _TERM.fullmatch(term.strip())
        key = {"%": "percent_of_reading", "d": "counts", "": "absolute"}[
            match[2] if match else ""
        ]
        if not equals or not name.strip() or match is None or key in found:
            msg = f"got {text!r}, expected {expected}"
            raise argparse.ArgumentTypeError(msg)
        found[key] = float(match[1].replace(",", "."))
    return name.strip(), Accuracy(**found)


def known_channels(
    *,
    bench: Path | None,
    profiles: Sequence[Path],
    accuracies: Sequence[tuple[str, Accuracy]],
    zeros: Sequence[str],
) -> Known:
    """Everything that is known beforehand.

    Raises:
        InputError, ConfigurationError: With every fault of the files.
    """
    channels: dict[str, Channel] = {}
    for path in profiles:
        profile = parse_profile(read_text(path), file=str(path))
        for index, field in enumerate(profile.field):
            channels[field.name] = Channel(
                name=field.name,
                title=_title(field.name),
                quantity=field.quantity,
                unit=field.unit,
                place="",
                instrument="",
                field_index=index,
                accuracy=accuracy_of(
                    field.accuracy,
                    resolution=field.resolution,
                    full_scale=field.full_scale or 0.0,
                ),
                interval_s=profile.refresh_s,
            )
    if bench is not None:
        channels |= {c.name: c for c in load_bench(bench).channels}
    return Known(channels, dict(accuracies), frozenset(zeros))


def make_channel(
    wanted: WantedColumn,
    known: Known,
    table: LogTable,
    *,
    instrument: str,
    index: int,
) -> Channel:
    """The channel that a column becomes; the display's step is the coarser of what is stated and what the log shows.

    Raises:
        InputError: If nobody says its unit, or two say different ones.
    """
    told = known.channels.get(wanted.name)
    unit = wanted.unit or (told.unit if told else None)
    if unit is None:
        msg = f"--column {wanted.column}={wanted.name}: no unit, expected {wanted.column}={wanted.name}:UNIT:PLACE"
        raise InputError(msg)
    if told is not None and told.unit != unit:
        msg = f"--column {wanted.column}={wanted.name}: in {unit}, but its bench or profile has it in {told.unit}"
        raise InputError(msg)
    accuracy = known.accuracies.get(wanted.name) or (
        told.accuracy if told else Accuracy()
    )
    step = max(table.steps[wanted.column], told.accuracy.resolution if told else 0.0)
    return Channel(
        name=wanted.name,
        title=told.title if told else _title(wanted.name),
        quantity=unit_of(unit).quantity,
        unit=unit,
        place=wanted.place or (told.place if told else ""),
        instrument=instrument,
        field_index=index,
        accuracy=replace(accuracy, resolution=step),
        interval_s=table.interval_s,
        subtract_idle=wanted.name in known.zeros or bool(told and told.subtract_idle),
    )


def has_stated_accuracy(channel: Channel) -> bool:
    """Whether anything is known of its meter's errors."""
    bare = Accuracy(
        resolution=channel.accuracy.resolution, full_scale=channel.accuracy.full_scale
    )
    return channel.accuracy != bare


def _title(name: str) -> str:
    return name.replace("_", " ").capitalize()
