"""Arguments that say where a meter is searched for, and how patiently."""

import argparse
from collections.abc import Callable
from typing import TypeVar

from daq.cli.arguments import number_between
from daq.errors import InputError
from daq.recognising.asking import UNITS, Mode
from daq.recognising.framings import (
    ASCII_SHAPES,
    BAUDS,
    SHAPES,
    Framing,
    framings_to_try,
    register_framings,
)
from daq.recognising.shown import parse_shown

_Parsed = TypeVar("_Parsed")


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
        type=_whole(1, 247),
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
        help="how long a meter may take to answer (default %(default)g s)",
    )
    parser.add_argument(
        "--write",
        metavar="FOLDER",
        help="write bench.toml and meter.toml there, and read the meter with them",
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
        metavar="NAME=N",
        help="which candidate to take where several remain, like voltage=2",
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


def modbus_framings(
    options: argparse.Namespace,
) -> tuple[tuple[Mode, tuple[Framing, ...]], ...]:
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


def parsed_by(parse: Callable[[str], _Parsed]) -> Callable[[str], _Parsed]:
    """A type for argparse that keeps the words of a ValueError."""

    def parsed(text: str) -> _Parsed:
        try:
            return parse(text)
        except ValueError as exc:
            raise argparse.ArgumentTypeError(str(exc)) from exc

    return parsed


def _parse_take(text: str) -> tuple[str, int]:
    name, _, number = text.partition("=")
    if not number.strip().isdecimal():
        msg = f"{text!r}, expected name and number of the candidate, like voltage=2"
        raise ValueError(msg)
    return name.strip(), int(number)


def _whole(low: int, high: int) -> Callable[[str], int]:
    def parse(text: str) -> int:
        if not text.isdecimal() or not low <= int(text) <= high:
            msg = f"got {text}, expected a whole number, {low} to {high}"
            raise argparse.ArgumentTypeError(msg)
        return int(text)

    return parse
