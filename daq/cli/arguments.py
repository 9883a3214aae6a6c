"""How commands take their arguments: kinds that several take, and the one line that tells what is wrong with them."""

import argparse
import contextlib
from collections.abc import Callable
from typing import NoReturn


class CommandParser(argparse.ArgumentParser):
    """A parser that says what is wrong in one line: a page of usage above it would hide it."""

    def error(self, message: str) -> NoReturn:
        """End with exit code 2."""
        self.exit(2, f"{self.prog}: error: {message}; see {self.prog} --help\n")


def number_between(low: float, high: float) -> Callable[[str], float]:
    """A type for argparse: a number from `low` to `high`."""

    def parse(text: str) -> float:
        with contextlib.suppress(ValueError):
            if low <= float(text) <= high:
                return float(text)
        msg = f"got {text}, expected {low:g} to {high:g}"
        raise argparse.ArgumentTypeError(msg)

    return parse


def add_speed(parser: argparse.ArgumentParser) -> None:
    """How quickly the bench's time runs."""
    parser.add_argument(
        "--speed",
        type=number_between(1.0, 60.0),
        default=1.0,
        help="bench seconds a real second, 1 to 60; 1 is life, more only with simulators at the same speed",
    )
