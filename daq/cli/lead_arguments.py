"""Arguments that name leads: sizes by area or gauge, lengths, several at once."""

import argparse
from collections.abc import Callable, Sequence
from typing import TypeVar

from daq.cli.lead_words import Length
from daq.entered import parse_area_mm2, parse_gauge, parse_length_m, parse_several

_FOOT_M = 0.3048
_SEVERAL = "several parted by commas, or the option repeated"
_T = TypeVar("_T")


def add_lead_arguments(parser: argparse.ArgumentParser) -> None:
    """Options --area, --awg and --length, each a list of tuples."""
    parser.add_argument(
        "--area",
        type=listed(parse_area_mm2),
        action="append",
        metavar="AREA",
        help=f"conductor's area, like 1.5mm2; {_SEVERAL}",
    )
    parser.add_argument(
        "--awg",
        type=listed(parse_gauge),
        action="append",
        metavar="GAUGE",
        help=f"conductor's gauge, like 12; {_SEVERAL}",
    )
    parser.add_argument(
        "--length",
        type=listed(_length),
        action="append",
        required=True,
        metavar="LENGTH",
        help=f"of the lead, one way, like 25m or 100ft; {_SEVERAL}",
    )


def typed(parse: Callable[[str], _T]) -> Callable[[str], _T]:
    """The same for argparse, which otherwise keeps a ValueError's text to itself."""

    def parsed(text: str) -> _T:
        try:
            return parse(text)
        except ValueError as exc:
            raise argparse.ArgumentTypeError(str(exc)) from exc

    return parsed


def listed(parse: Callable[[str], _T]) -> Callable[[str], tuple[_T, ...]]:
    """Several parted by commas."""
    return typed(lambda text: parse_several(text, parse))


def each_once(lists: Sequence[tuple[_T, ...]] | None) -> list[_T]:
    """What was typed in lists and with repeated options, each once."""
    return list(dict.fromkeys(each for several in lists or () for each in several))


def _length(text: str) -> Length:
    metres = parse_length_m(text)
    in_feet = "f" in text.casefold()
    shown = f"{metres / _FOOT_M:.5g} ft" if in_feet else f"{metres:.5g} m"
    return Length(metres, shown)
