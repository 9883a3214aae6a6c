"""Modbus ASCII: two hexadecimal digits a byte between a colon and a line end, with an LRC.

Knows no registers' meaning and no time. A frame's ends show by themselves, so what stands
before the colon is passed over, as the standard says a receiver does. An LRC of one byte
lets one spoiled frame in 256 through: hence nothing is a reply but one frame that matches
unit, function and byte count to the character, with no second one begun or behind it.

Source: Modbus over Serial Line V1.02, 2.5.2 (frames), 2.5.2.2 and 6.2.1 (LRC).
"""

from binascii import Error, unhexlify
from collections.abc import Sequence
from dataclasses import dataclass, field

from daq.checksums import lrc8
from daq.framing import shown_bytes
from daq.protocols.modbus.answers import (
    HEAD,
    Asked,
    BadReply,
    echoed,
    fault_of_sound,
    garbled,
)
from daq.protocols.modbus.polling import ModbusPolling
from daq.protocols.modbus.registers import RegisterField
from daq.records import GapReason

MAX_FRAME = 513
"""Longest frame on the wire, colon and line end included (V1.02, 2.5.2); what is longer is dropped."""

_START = b":"
_END = b"\r\n"
_LEAST_BODY = HEAD


class ModbusAscii(ModbusPolling):
    """Polls registers of one unit in ASCII frames; one Reading or Gap a poll.

    Args:
        instrument: Name on the bench, for readings and gaps.
        unit: 1 to 247.
        fields: In the order that readings shall have.
        reply_timeout_s: How long the unit may take to begin its reply [s].
        char_s: Time of one character on the line [s].
    """

    def __init__(
        self,
        *,
        instrument: str,
        unit: int,
        fields: Sequence[RegisterField],
        reply_timeout_s: float,
        char_s: float,
    ) -> None:
        super().__init__(
            instrument=instrument,
            unit=unit,
            fields=fields,
            reply_timeout_s=reply_timeout_s,
            char_s=char_s,
            exchange=AsciiExchange,
        )


@dataclass(frozen=True, slots=True)
class AsciiExchange:
    """One request and what its reply must look like on the wire.

    Attributes:
        asked: What the request's body asks.
        request: The whole frame to send.
        length: Of the whole reply [bytes].
    """

    asked: Asked
    request: bytes = field(init=False)
    length: int = field(init=False)

    def __post_init__(self) -> None:
        """Frame the request, and foresee the reply's length."""
        object.__setattr__(self, "request", frame_of(self.asked.body))
        length = len(_START) + 2 * (self.asked.length + 1) + len(_END)
        object.__setattr__(self, "length", length)

    def registers_in(self, received: bytes) -> bytes | None:
        """The registers' bytes, if one whole frame came and it is the reply."""
        _, start, rest = received.partition(_START)
        frame = start + rest
        if not start or len(frame) != self.length or not frame.endswith(_END):
            return None
        body = _sound_body(frame)
        is_reply = body is not None and body.startswith(self.asked.head)
        return body[HEAD:] if body is not None and is_reply else None

    def fault_in(self, received: bytes) -> BadReply | None:
        """What is wrong with bytes that are not the reply; None while more may mend it."""
        if len(received) > MAX_FRAME:
            return garbled(f"more than {MAX_FRAME} bytes", received)
        begin = received.find(_START)
        if begin < 0:
            return None
        if received.find(_START, begin + 1) >= 0:
            return self._fault_of_two(received, begin)
        frame, end, behind = received[begin:].partition(_END)
        if not end:
            return None
        if behind:
            return garbled(f"{len(behind)} bytes after a whole frame", received)
        return self._fault_in_whole(frame + end, received)

    def fault_at_deadline(self, received: bytes, *, timeout_s: float) -> BadReply:
        """What to call it when time is up and `fault_in` still hopes for more."""
        within = f"within {timeout_s:.2f} s"
        if not received:
            return BadReply(GapReason.NO_REPLY, f"no reply {within}")
        begin = received.find(_START)
        if begin < 0:
            return garbled(f"no colon {within}", received)
        detail = f"{len(received) - begin} of {self.length} characters {within}"
        return BadReply(GapReason.CUT, f"{detail}: {shown_bytes(received)}")

    def _fault_of_two(self, received: bytes, begin: int) -> BadReply:
        """The request that comes back before its reply, or two frames in each other's way."""
        if received.startswith(self.request, begin):
            return echoed(received)
        return garbled("a second frame begun", received)

    def _fault_in_whole(self, frame: bytes, received: bytes) -> BadReply:
        """What is wrong with the only frame that came."""
        if frame == self.request:
            return echoed(received)
        digits = _bytes_of(frame)
        if digits is None or len(digits) <= _LEAST_BODY:
            return garbled("no pairs of hexadecimal digits", received)
        body = _sound_body(frame)
        if body is None:
            got, expected = digits[-1], lrc8(digits[:-1])
            text = f"checksum 0x{got:02X}, expected 0x{expected:02X}"
            return garbled(text, received)
        fault = fault_of_sound(body, self.asked, received)
        length = f"{len(body)} bytes, expected {self.asked.length}"
        return fault or garbled(length, received)


def frame_of(body: bytes) -> bytes:
    """The whole frame of a body: colon, digits, LRC, carriage return and line feed."""
    digits = (body + bytes((lrc8(body),))).hex().upper().encode("ascii")
    return _START + digits + _END


def _bytes_of(frame: bytes) -> bytes | None:
    """The bytes that a frame spells, its LRC included; None if it spells none."""
    try:
        return unhexlify(frame[len(_START) : -len(_END)])
    except Error:
        return None


def _sound_body(frame: bytes) -> bytes | None:
    """The body of a frame whose LRC is right; None if it is not."""
    spelt = _bytes_of(frame)
    if spelt is None or len(spelt) <= _LEAST_BODY or lrc8(spelt) != 0:
        return None
    return spelt[:-1]
