"""Kinds of argument that several commands take."""

import argparse
import contextlib
from collections.abc import Callable


def number_between(low: float, high: float) -> Callable[[str], float]:
    """A type for argparse: a number from `low` to `high`."""

    def parse(text: str) -> float:
        with contextlib.suppress(ValueError):
            if low <= float(text) <= high:
                return float(text)
        msg = f"got {text}, expected {low:g} to {high:g}"
        raise argparse.ArgumentTypeError(msg)

    return parse
