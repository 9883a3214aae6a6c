"""Arguments that say where a meter is searched for, and how patiently."""

import argparse
import math
from collections.abc import Callable, Sequence
from typing import TypeVar

from daq.cli.arguments import number_between
from daq.errors import InputError
from daq.recognising.asking import LAST_UNIT, UNITS, Mode
from daq.recognising.framings import (
    ASCII_SHAPES,
    BAUDS,
    SHAPES,
    Framing,
    framings_to_try,
    register_framings,
)
from daq.recognising.shown import parse_shown

_RARER_S = 300.0
"""That a search among all units may take."""

_RARER_WAIT_S = math.floor(10.0 * _RARER_S / (LAST_UNIT - len(UNITS))) / 10.0
"""The longest wait [s], in tenths, at which all rarer units are tried at one setting at least."""

_Parsed = TypeVar("_Parsed")

ModbusFramings = tuple[tuple[Mode, tuple[Framing, ...]], ...]
"""Settings of the line in each transmission mode, in the order of the search."""


def add_line_arguments(parser: argparse.ArgumentParser) -> None:
    """What both searches take."""
    parser.add_argument("port", metavar="PORT", help="path of the port, or its URL")
    parser.add_argument(
        "--baud",
        type=_whole(50, 4_000_000),
        action="append",
        help="speed of the line, if known; may be given several times",
    )
    parser.add_argument(
        "--framing",
        choices=tuple(dict.fromkeys((*SHAPES, *ASCII_SHAPES))),
        action="append",
        help="data bits, parity and stop bits, if known; may be given several times",
    )
    parser.add_argument(
        "--unit",
        type=_whole(1, LAST_UNIT),
        action="append",
        help="Modbus unit, if known; may be given several times",
    )
    parser.add_argument(
        "--mode",
        choices=("rtu", "ascii"),
        help="how the frames of Modbus are sent, if known",
    )
    parser.add_argument(
        "--wait",
        type=number_between(0.01, 5.0),
        default=0.2,
        metavar="S",
        help="how long a meter may take to answer (default %(default)g s); above"
        f" {_RARER_WAIT_S:g} s, rare units are tried only where named",
    )
    parser.add_argument(
        "--write",
        metavar="FOLDER",
        help="write bench.toml and a profile named after the folder there, and read the meter with them",
    )


def add_display_arguments(parser: argparse.ArgumentParser) -> None:
    """What tells of the meter's display."""
    parser.add_argument(
        "--shows",
        type=parsed_by(parse_shown),
        action="append",
        default=[],
        metavar="NAME=VALUE UNIT",
        help='what the display shows now, with all its decimals, like "voltage=230.4 V"; asked for where none is given',
    )
    parser.add_argument(
        "--take",
        type=parsed_by(_parse_take),
        action="append",
        default=[],
        metavar="NAME=CANDIDATE",
        help="which candidate to take where several remain, as they are listed, like voltage=4:0:u16:0.1",
    )


def require_one_of_each(options: argparse.Namespace) -> None:
    """Refuse a value of the display that is given twice.

    Raises:
        InputError: With what to write instead.
    """
    names = [shown.name for shown in options.shows]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        msg = f"--shows: {twice[0]!r} twice, expected each name once"
        raise InputError(msg)


def asked_framings(options: argparse.Namespace) -> tuple[Framing, ...]:
    """All that are to be tried, in order."""
    return framings_to_try(options.baud or BAUDS, options.framing or SHAPES)


def modbus_framings(options: argparse.Namespace) -> ModbusFramings:
    """Settings at which Modbus is to be tried, RTU first; a mode that none of them allows is left out."""
    shapes = options.framing or ASCII_SHAPES
    tried = {
        Mode.RTU: register_framings(asked_framings(options)),
        Mode.ASCII: framings_to_try(options.baud or BAUDS, shapes),
    }
    return tuple(
        (mode, framings)
        for mode, framings in tried.items()
        if framings and options.mode in (None, mode.name.lower())
    )


def asked_units(options: argparse.Namespace) -> tuple[int, ...]:
    """Units that are to be tried, in order."""
    return tuple(options.unit or UNITS)


def rarer_units(tried: Sequence[int]) -> tuple[int, ...]:
    """All other units that there can be."""
    return tuple(unit for unit in range(1, LAST_UNIT + 1) if unit not in tried)


def rarer_framings(options: argparse.Namespace) -> ModbusFramings:
    """Settings at which all other units are tried in vain within five minutes; none unless the speed is known."""
    if options.unit or not options.baud:
        return ()
    left = int(_RARER_S / (len(rarer_units(UNITS)) * options.wait))
    kept = []
    for mode, framings in modbus_framings(options):
        kept.append((mode, framings[:left]))
        left -= len(framings[:left])
    return tuple((mode, framings) for mode, framings in kept if framings)


def untried_lines(options: argparse.Namespace) -> list[str]:
    """That the rarer units were not tried, though the speed is known, and how they are; nothing where they were."""
    is_wanted = options.baud and not options.unit and modbus_framings(options)
    if not is_wanted or rarer_framings(options):
        return []
    return [
        f"All other units up to {LAST_UNIT} were left out: with --wait {options.wait:g} they take longer than"
        f" {_RARER_S / 60.0:g} minutes even at one setting. Name the unit of the meter's menu with --unit, or try them"
        f" with --wait {_RARER_WAIT_S:g}."
    ]


def parsed_by(parse: Callable[[str], _Parsed]) -> Callable[[str], _Parsed]:
    """A type for argparse that keeps the words of a ValueError."""

    def parsed(text: str) -> _Parsed:
        try:
            return parse(text)
        except ValueError as exc:
            raise argparse.ArgumentTypeError(str(exc)) from exc

    return parsed


def _parse_take(text: str) -> tuple[str, str]:
    name, _, label = text.partition("=")
    if not name.strip() or ":" not in label:
        msg = f"{text!r}, expected a name and a candidate as they are listed, like voltage=4:0:u16:0.1"
        raise ValueError(msg)
    return name.strip().lower(), label.strip().replace(":ABCD", "")


def _whole(low: int, high: int) -> Callable[[str], int]:
    def parse(text: str) -> int:
        if not text.isdecimal() or not low <= int(text) <= high:
            msg = f"got {text}, expected a whole number, {low} to {high}"
            raise argparse.ArgumentTypeError(msg)
        return int(text)

    return parse
