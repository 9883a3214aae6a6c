"""Arguments that say where a meter is searched for, and how patiently."""

import argparse
from collections.abc import Callable
from typing import TypeVar

from daq.cli.arguments import number_between
from daq.recognising.asking import UNITS
from daq.recognising.framings import BAUDS, SHAPES, Framing, framings_to_try

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
        choices=SHAPES,
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


def asked_framings(options: argparse.Namespace) -> tuple[Framing, ...]:
    """All that are to be tried, in order."""
    return framings_to_try(options.baud or BAUDS, options.framing or SHAPES)


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


def _whole(low: int, high: int) -> Callable[[str], int]:
    def parse(text: str) -> int:
        if not text.isdecimal() or not low <= int(text) <= high:
            msg = f"got {text}, expected a whole number, {low} to {high}"
            raise argparse.ArgumentTypeError(msg)
        return int(text)

    return parse
