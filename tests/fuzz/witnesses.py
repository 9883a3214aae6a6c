"""What an input really says, found out a second time by arithmetic that shares nothing with the program's.

Checksums follow their definitions, numbers are read by `decimal`, values are put together by hand.
A target that takes a reading from the program asks here whether the bytes bear it out.
"""

import binascii
import math
import re
import struct
from collections.abc import Iterable, Sequence
from decimal import Decimal
from functools import reduce
from operator import xor

from daq.records import Gap, GapReason, Reading, unusable_bit

Values = tuple[float | None, ...]

_FIGURE = re.compile(r" *([-+]?\d+(?:\.\d+)?)(?:[eE]([-+]?\d+))? *", re.ASCII)
_TOO_LARGE = Decimal("9.9e37")
_FARTHEST = Decimal(2000)
_MOST_SHOWN = 1000
"""Longest text of a gap that an operator could still read [characters]."""


def text_in(content: bytes, stated: str = "utf-8") -> str:
    """The text of a file by its byte-order mark (Unicode 15.0, table 23-4), else by what was stated."""
    marks = {
        b"\xef\xbb\xbf": "utf-8",
        b"\xff\xfe\0\0": "utf-32-le",
        b"\0\0\xfe\xff": "utf-32-be",
        b"\xff\xfe": "utf-16-le",
        b"\xfe\xff": "utf-16-be",
    }
    mark = next((each for each in marks if content.startswith(each)), b"")
    return content[len(mark) :].decode(marks.get(mark, stated))


def remainder_of(byte: int, *, polynomial: int, width: int) -> int:
    """What eight shifts make of a byte in an empty register, highest bit first: the definition of a CRC, by hand."""
    register = byte << (width - 8)
    for _ in range(8):
        register <<= 1
        if register >> width:
            register ^= 1 << width | polynomial
    return register


def turned(number: int, width: int) -> int:
    """Its bits in the other order."""
    return int(format(number, f"0{width}b")[::-1], 2)


_MODBUS = [
    turned(remainder_of(turned(byte, 8), polynomial=0x8005, width=16), 16)
    for byte in range(256)
]
_CRC8 = [remainder_of(byte, polynomial=0x07, width=8) for byte in range(256)]


def crc_of_modbus(data: bytes) -> bytes:
    """Two bytes, low one first (Modbus over Serial Line V1.02, 2.5.1.2)."""
    low = high = 0xFF
    for byte in data:
        change = _MODBUS[low ^ byte]
        low, high = high ^ change & 0xFF, change >> 8
    return bytes((low, high))


def crc8_of(data: bytes) -> int:
    """Polynomial 0x07, nothing preset."""
    return reduce(lambda register, byte: _CRC8[register ^ byte], data, 0)


def crc_of_ccitt(data: bytes) -> int:
    """By the standard library, preset to ones."""
    return binascii.crc_hqx(data, 0xFFFF)


def lrc_of(data: bytes) -> int:
    """What makes the sum of all bytes nought (Modbus over Serial Line V1.02, 2.5.2.2)."""
    return (0x100 - sum(data) % 0x100) % 0x100


def xor_of(data: bytes) -> int:
    """All bytes, exclusive-or."""
    return reduce(xor, data, 0)


def figure_in(text: str) -> float | None:
    """The number that a text writes; ValueError where it writes none, None where the meter says out of range."""
    match = _FIGURE.fullmatch(text)
    if match is None:
        msg = f"{text!r} is no number"
        raise ValueError(msg)
    # `decimal` takes no exponent of 19 digits; no double is farther from 1 than 10^400 either.
    exponent = max(-_FARTHEST, min(_FARTHEST, Decimal(match[2] or 0)))
    exact = Decimal(match[1]).scaleb(exponent)
    return None if abs(exact) >= _TOO_LARGE else float(exact)


def figures_in(texts: Iterable[str]) -> Values | None:
    """All of them, or None where one is no number."""
    try:
        return tuple(figure_in(text) for text in texts)
    except ValueError:
        return None


_WRITTEN = re.compile(r"[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?", re.ASCII)


def numbers_written(text: str) -> set[float]:
    """Every number that stands anywhere, a comma taken for a point as well as for an end."""
    found = set()
    for match in _WRITTEN.finditer(text):
        found.add(float(match[0].replace(",", ".")))
    for cell in re.split(r"[,;\t\r\n\"]", text):
        try:
            found.add(float(cell.strip()))
        except ValueError:
            continue
    return found


def plain_text(line: bytes) -> str | None:
    """A line without blanks and line ends around it; None where a byte in it is no printable ASCII or tab."""
    bare = line.strip(b" \r\n")
    is_plain = all(byte == 0x09 or 0x20 <= byte <= 0x7E for byte in bare)
    return bare.decode("ascii") if is_plain else None


def float_in(data: bytes) -> float | None:
    """IEEE 754 binary32, highest byte first; None where it is no finite number."""
    (number,) = struct.unpack(">f", data)
    return number if math.isfinite(number) else None


def kept_bytes(holder: object) -> int:
    """Longest of the byte strings that an object holds [byte]."""
    longest = 0
    for value in vars(holder).values():
        if isinstance(value, bytes) and len(value) > longest:
            longest = len(value)
    return longest


def check_outcome(outcome: Reading | Gap, *, instrument: str, at: float) -> None:
    """What holds of every outcome, whatever the bytes were."""
    assert outcome.instrument == instrument
    assert outcome.at_s <= at + 1e-6, f"of the future: {outcome.at_s} at {at}"
    if isinstance(outcome, Gap):
        assert isinstance(outcome.reason, GapReason)
        assert outcome.detail, "a gap without its reason"
        assert outcome.detail.isprintable(), f"no line of text: {outcome.detail!r}"
        assert len(outcome.detail) <= _MOST_SHOWN, f"{len(outcome.detail)} characters"
        return
    for index, value in enumerate(outcome.values):
        is_marked = bool(outcome.flags & unusable_bit(index))
        assert is_marked is (value is None)
        assert value is None or math.isfinite(value)


def is_within(
    values: Values, ranges: Sequence[tuple[float | None, float | None]]
) -> bool:
    """Whether every value is in its range; a missing bound bounds nothing."""
    return all(
        value is None
        or ((low is None or value >= low) and (high is None or value <= high))
        for value, (low, high) in zip(values, ranges, strict=True)
    )
