"""A meter that talks by itself: one line of labelled numbers after another.

The lines look like `V=+12.34 m/s T=+21.6 C`, ended by carriage return and line feed. The
numbers are NR2 of IEEE 488.2 (sign, digits, point, digits); `OL` stands in the number's
place when the quantity is beyond the meter's range. Nothing protects a line against a
flipped digit: it has no checksum.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

OVERRANGE = "OL"


@dataclass(frozen=True)
class Labelled:
    """One number of the line: `label=number unit`."""

    label: str
    value: float
    decimals: int
    unit: str


def nr2(value: float, *, decimals: int) -> str:
    """A value with a sign and a fixed number of decimals."""
    if not math.isfinite(value):
        return OVERRANGE
    # Adding 0.0 turns a rounded -0.0 into 0.0: no meter prints -0.0.
    return f"{round(value, decimals) + 0.0:+.{decimals}f}"


def encode_line(numbers: Sequence[Labelled]) -> bytes:
    """One line as it goes over the wire."""
    parts = [
        f"{number.label}={nr2(number.value, decimals=number.decimals)} {number.unit}"
        for number in numbers
    ]
    return " ".join(parts).encode("ascii") + b"\r\n"
