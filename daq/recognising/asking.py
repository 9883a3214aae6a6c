"""Requests that change nothing in a meter, and whether what came back is a reply.

Registers are asked for with functions 3 and 4 alone, which read. Texts end in a question mark, which makes them queries
by the convention of IEEE 488.2; none of those here clears a register or selects a function. Nothing else is ever
sent in a search, and a text of the operator's own is taken only if it ends in a question mark too.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from daq.framing import append_crc, crc16_modbus

IDENTITY_QUERY = "*IDN?"
QUERIES = ("MEAS?", "READ?", "FETC?", "VAL?", "DATA?", "?")
ENDINGS = ("\r\n", "\n", "\r")
UNITS = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 16, 32, 100, 247)
"""Addresses that meters come with, or are given first."""

ILLEGAL_FUNCTION = 1
_READS = (3, 4)
_EXCEPTION_BIT = 0x80
_EXCEPTION_BYTES = 5
_HEAD_BYTES = 3


@dataclass(frozen=True, slots=True)
class Registers:
    """What a unit answered: its registers, or why it refuses.

    Attributes:
        words: 0 to 65535 each; empty where it refuses.
        refusal: Exception code, or None.
    """

    words: tuple[int, ...]
    refusal: int | None = None


def read_request(unit: int, function: int, address: int, count: int) -> bytes:
    """The frame that reads registers.

    Raises:
        ValueError: If it would be anything but a read of one unit.
    """
    if function not in _READS or not 1 <= unit <= 247 or not 1 <= count <= 125:
        msg = f"unit {unit}, function {function}, {count} registers, expected 1 to 247, 3 or 4, 1 to 125"
        raise ValueError(msg)
    asked = address.to_bytes(2, "big") + count.to_bytes(2, "big")
    return append_crc(bytes((unit, function)) + asked)


def parse_registers(frame: bytes, request: bytes) -> Registers | None:
    """The reply in these bytes; None unless they are one whole reply to this request and nothing else."""
    unit, function = request[0], request[1]
    count = int.from_bytes(request[4:6], "big")
    if frame[:2] == bytes((unit, function | _EXCEPTION_BIT)):
        is_sound = len(frame) == _EXCEPTION_BYTES and crc16_modbus(frame) == 0
        return Registers((), frame[2]) if is_sound else None
    is_reply = frame[:_HEAD_BYTES] == bytes((unit, function, 2 * count))
    if not is_reply or len(frame) != _HEAD_BYTES + 2 * count + 2 or crc16_modbus(frame):
        return None
    data = frame[_HEAD_BYTES:-2]
    return Registers(
        tuple(int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2))
    )


def checked_query(text: str) -> str:
    """A query of the operator's own.

    Raises:
        ValueError: If it is not a question.
    """
    if not text.strip().endswith("?") or not text.isascii() or not text.isprintable():
        msg = f"query {text!r}, expected plain text that ends in ?, for only questions are sent"
        raise ValueError(msg)
    return text.strip()


def queries_to_try(own: Sequence[str]) -> tuple[str, ...]:
    """The operator's own queries, and nothing else where there are any; the usual ones otherwise."""
    return tuple(checked_query(text) for text in own) or QUERIES
