"""A meter that is asked with a line of text and answers with one.

Source:
    IEEE 488.2: NR3 response data (sign, digits, `E`, signed exponent), data separated by
    commas, ended by a line feed; `*IDN?` answers four fields. SCPI-1999, volume 1: 9.9E37
    stands for infinity and 9.91E37 for "not a number", though both read as good numbers.

A query that the meter does not know gets no reply.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

OVERRANGE = "9.9E37"
NOT_A_NUMBER = "9.91E37"


@dataclass(frozen=True)
class Field:
    """One value and the smallest step in which the meter reports it."""

    value: float
    resolution: Decimal


def nr3(field: Field) -> str:
    """A value in exponent form with the digits that its resolution allows."""
    if math.isnan(field.value):
        return NOT_A_NUMBER
    if math.isinf(field.value):
        return OVERRANGE
    rounded = Decimal(repr(field.value)).quantize(field.resolution)
    exponent = rounded.adjusted() if rounded else 0
    smallest = int(field.resolution.as_tuple().exponent)
    mantissa = rounded.scaleb(-exponent)
    return f"{mantissa:+.{max(1, exponent - smallest)}f}E{exponent:+03d}"


def answer(
    line: bytes, *, identity: Sequence[str], fields: Sequence[Field]
) -> bytes | None:
    """Reply to one query line; None where the meter keeps silent."""
    query = line.strip().upper()
    if query == b"MEAS?":
        return _ended(nr3(field) for field in fields)
    if query == b"*IDN?":
        return _ended(identity)
    return None


def _ended(parts: Iterable[str]) -> bytes:
    return ",".join(parts).encode("ascii") + b"\n"
