"""Modbus RTU: binary frames with a CRC, told apart by silence.

Knows no registers' meaning and no time. RTU frames carry no transaction number and no
length: a late reply looks like the answer to the next question. So nothing is a reply
but a frame that stands alone and matches unit, function, byte count and CRC; a frame's
end follows from its own head; and no reply is searched for behind rubbish.

Source: Modbus over Serial Line V1.02, 2.5.1 (frames).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from daq.framing import append_crc, crc16_modbus, shown_bytes
from daq.protocols.modbus.answers import (
    EXCEPTION_BIT,
    HEAD,
    Asked,
    BadReply,
    echoed,
    fault_of_sound,
    foreign,
    garbled,
)
from daq.protocols.modbus.polling import ModbusPolling
from daq.protocols.modbus.registers import RegisterField
from daq.records import GapReason

MAX_FRAME = 256
"""Longest frame on the wire; what is longer is dropped."""

_CRC = 2
_EXCEPTION_LENGTH = 5
_READS = frozenset({1, 2, 3, 4})
_WRITES = frozenset({5, 6, 15, 16})
_WRITE_LENGTH = 8


class ModbusRtu(ModbusPolling):
    """Polls registers of one unit in RTU frames; one Reading or Gap a poll.

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
            exchange=RtuExchange,
        )


@dataclass(frozen=True, slots=True)
class RtuExchange:
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
        object.__setattr__(self, "request", append_crc(self.asked.body))
        object.__setattr__(self, "length", self.asked.length + _CRC)

    def registers_in(self, frame: bytes) -> bytes | None:
        """The registers' bytes, if this is the reply, the whole reply and nothing else."""
        is_reply = (
            len(frame) == self.length
            and frame.startswith(self.asked.head)
            and crc16_modbus(frame) == 0
        )
        return frame[HEAD:-_CRC] if is_reply else None

    def fault_in(self, frame: bytes) -> BadReply | None:
        """What is wrong with bytes that are not the reply; None while more may mend it."""
        if len(frame) > MAX_FRAME:
            return garbled(f"more than {MAX_FRAME} bytes", frame)
        if len(frame) < HEAD:
            return None
        if self._may_be_echo(frame):
            return echoed(frame) if len(frame) >= len(self.request) else None
        length = self._frame_length(frame)
        if length is None or len(frame) < length:
            return None
        return self._fault_in_whole(frame[:length], frame)

    def fault_at_deadline(self, frame: bytes, *, timeout_s: float) -> BadReply:
        """What to call it when time is up and `fault_in` still hopes for more."""
        if not frame:
            return BadReply(GapReason.NO_REPLY, f"no reply within {timeout_s:.2f} s")
        asked = self.asked
        if asked.head.startswith(frame[:HEAD]) or frame.startswith(asked.refusal):
            length = self._frame_length(frame) or self.length
            detail = f"{len(frame)} of {length} bytes within {timeout_s:.2f} s"
            return BadReply(GapReason.CUT, f"{detail}: {shown_bytes(frame)}")
        if len(frame) > HEAD and crc16_modbus(frame) == 0:
            return foreign(frame, asked, frame)
        got, expected = shown_bytes(frame[:HEAD]), shown_bytes(asked.head)
        return garbled(f"reply begins {got}, expected {expected}", frame)

    def _frame_length(self, frame: bytes) -> int | None:
        """Length of the frame by its own head; None if its function does not tell."""
        if frame[:HEAD] == self.asked.head:
            return self.length
        if len(frame) < 2:
            return None
        function = frame[1]
        if function & EXCEPTION_BIT:
            return _EXCEPTION_LENGTH
        if function in _WRITES:
            return _WRITE_LENGTH
        return HEAD + frame[2] + _CRC if function in _READS and len(frame) > 2 else None

    def _fault_in_whole(self, whole: bytes, frame: bytes) -> BadReply | None:
        """What is wrong with a frame that has come to its end; `frame` may be longer."""
        if crc16_modbus(whole) != 0:
            got = int.from_bytes(whole[-_CRC:], "little")
            expected = crc16_modbus(whole[:-_CRC])
            return garbled(f"checksum 0x{got:04X}, expected 0x{expected:04X}", frame)
        behind = len(frame) - len(whole)
        fault = fault_of_sound(whole, self.asked, frame)
        if behind and (fault is None or fault.reason is GapReason.REFUSED):
            return garbled(f"{behind} bytes after a whole reply", frame)
        return fault

    def _may_be_echo(self, frame: bytes) -> bool:
        """Whether the request itself is coming back, as on a two-wire adapter with echo."""
        size = len(self.request)
        return self.request.startswith(frame[:size]) and frame[:HEAD] != self.asked.head
