"""Requests that change nothing in a meter, and whether what came back is a reply.

Registers are asked for with functions 3 and 4 alone, which read. Texts end in a question mark, which makes them queries
by the convention of IEEE 488.2. Those sent unasked fetch what the meter has measured anyway: none starts a measurement,
clears a register or selects a function or a range. MEASure? and READ? are questions too, but the first configures and
both abort what is running and start anew (SCPI-1999, volume 2, chapter 3), so they are sent only where the operator
names them. A text that a meter does not know may show as an error on its display until it is cleared. Nothing else
is ever sent in a search, and a text of the operator's own is taken only if it ends in a question mark.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from daq.checksums import lrc8
from daq.framing import append_crc, crc16_modbus
from daq.protocols.modbus.ascii import frame_of

IDENTITY_QUERY = "*IDN?"
QUERIES = ("FETC?", "VAL?", "DATA?", "?")
STARTING_QUERIES = ("MEAS?", "READ?")
"""Those that many meters know, and that may set function and range or start anew; never sent unasked."""

ENDINGS = ("\r\n", "\n", "\r")
UNITS = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 16, 32, 100, 247)
"""Addresses that meters come with, or are given first."""

LAST_UNIT = 247
"""Modbus over Serial Line V1.02, 2.2."""

ILLEGAL_FUNCTION = 1
PASSING_REFUSALS = (5, 6, 10, 11)
"""Acknowledged, busy, and a gateway that does not reach the unit: no word on the registers asked for."""

_READS = (3, 4)
_EXCEPTION_BIT = 0x80
_EXCEPTION_BYTES = 3
_HEAD_BYTES = 3


class Mode(Enum):
    """How a Modbus frame is sent (Modbus over Serial Line V1.02, 2.5); the value is the profile's protocol."""

    RTU = "modbus-rtu"
    ASCII = "modbus-ascii"

    @property
    def title(self) -> str:
        """As people say it."""
        return f"Modbus {self.name}"

    @property
    def checksum(self) -> str:
        """What its frames end in."""
        return "CRC" if self is Mode.RTU else "LRC"


@dataclass(frozen=True, slots=True)
class Registers:
    """What a unit answered: its registers, or why it refuses.

    Attributes:
        words: 0 to 65535 each; empty where it refuses.
        refusal: Exception code, or None.
    """

    words: tuple[int, ...]
    refusal: int | None = None


def read_request(
    unit: int, function: int, address: int, count: int, mode: Mode = Mode.RTU
) -> bytes:
    """The frame that reads registers.

    Raises:
        ValueError: If it would be anything but a read of one unit.
    """
    if function not in _READS or not 1 <= unit <= LAST_UNIT or not 1 <= count <= 125:
        msg = f"unit {unit}, function {function}, {count} registers, expected 1 to 247, 3 or 4, 1 to 125"
        raise ValueError(msg)
    asked = address.to_bytes(2, "big") + count.to_bytes(2, "big")
    body = bytes((unit, function)) + asked
    return append_crc(body) if mode is Mode.RTU else frame_of(body)


def body_of(frame: bytes, mode: Mode) -> bytes | None:
    """Unit, function and data of one whole frame whose checksum is right; None if it is not."""
    if mode is Mode.RTU:
        is_sound = len(frame) > _HEAD_BYTES and crc16_modbus(frame) == 0
        return frame[:-2] if is_sound else None
    if not frame.startswith(b":") or not frame.endswith(b"\r\n"):
        return None
    try:
        spelt = bytes.fromhex(frame[1:-2].decode("ascii"))
    except ValueError:
        return None
    # Blanks pass as hexadecimal elsewhere, not in a frame.
    is_whole = 2 * len(spelt) == len(frame) - 3 and len(spelt) > _HEAD_BYTES
    return spelt[:-1] if is_whole and lrc8(spelt) == 0 else None


def parse_registers(
    frame: bytes, request: bytes, mode: Mode = Mode.RTU
) -> Registers | None:
    """The reply in these bytes; None unless they are one whole reply to this request and nothing else."""
    body, asked = body_of(frame, mode), body_of(request, mode)
    if body is None or asked is None:
        return None
    unit, function = asked[0], asked[1]
    count = int.from_bytes(asked[4:6], "big")
    if body[:2] == bytes((unit, function | _EXCEPTION_BIT)):
        return Registers((), body[2]) if len(body) == _EXCEPTION_BYTES else None
    is_reply = body[:_HEAD_BYTES] == bytes((unit, function, 2 * count))
    if not is_reply or len(body) != _HEAD_BYTES + 2 * count:
        return None
    data = body[_HEAD_BYTES:]
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
