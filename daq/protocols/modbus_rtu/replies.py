"""Judges what came back after a Modbus RTU request.

Knows no registers' meaning and no time. RTU frames carry no transaction number and no
length: a late reply looks like the answer to the next question. So nothing is a reply
but a frame that stands alone and matches unit, function, byte count and CRC; a frame's
end follows from its own head; and no reply is searched for behind rubbish.

Sources: Modbus over Serial Line V1.02, 2.5.1 (frames); Modbus Application Protocol
V1.1b3, 4.1 (lengths), 6 (functions), 7 (exceptions).
"""

from dataclasses import dataclass

from daq.framing import append_crc, crc16_modbus, shown_bytes
from daq.protocols.modbus_rtu.registers import Block
from daq.records import GapReason

MAX_FRAME = 256
"""Longest frame on the wire; what is longer is dropped."""

_EXCEPTION_BIT = 0x80
_EXCEPTION_LENGTH = 5
_HEAD = 3
_READS = frozenset({1, 2, 3, 4})
_WRITES = frozenset({5, 6, 15, 16})
_WRITE_LENGTH = 8
_EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}


@dataclass(frozen=True, slots=True)
class BadReply:
    """Why what came is no reply."""

    reason: GapReason
    detail: str


@dataclass(frozen=True, slots=True)
class Exchange:
    """One request and what its reply must look like.

    Attributes:
        request: The whole frame to send.
        unit: Which must answer.
        function: That must be answered.
        head: First three bytes of the reply: unit, function, byte count.
        length: Of the whole reply [bytes].
    """

    request: bytes
    unit: int
    function: int
    head: bytes
    length: int

    def is_answered_by(self, frame: bytes) -> bool:
        """Whether these bytes are the reply, the whole reply and nothing else."""
        return (
            len(frame) == self.length
            and frame.startswith(self.head)
            and crc16_modbus(frame) == 0
        )


def exchange_for(block: Block, unit: int) -> Exchange:
    """The request that reads a block, and the reply it implies."""
    asked = block.address.to_bytes(2, "big") + block.count.to_bytes(2, "big")
    return Exchange(
        request=append_crc(bytes((unit, block.function)) + asked),
        unit=unit,
        function=block.function,
        head=bytes((unit, block.function, 2 * block.count)),
        length=_HEAD + 2 * block.count + 2,
    )


def fault_in(frame: bytes, exchange: Exchange) -> BadReply | None:
    """What is wrong with bytes that are not the reply; None while more may mend it."""
    if len(frame) > MAX_FRAME:
        return _garbled(f"more than {MAX_FRAME} bytes", frame)
    if len(frame) < _HEAD:
        return None
    if _may_be_echo(frame, exchange):
        return _echo(frame) if len(frame) >= len(exchange.request) else None
    length = _frame_length(frame, exchange)
    if length is None or len(frame) < length:
        return None
    return _fault_in_whole(frame[:length], frame, exchange)


def fault_at_deadline(
    frame: bytes, exchange: Exchange, *, timeout_s: float
) -> BadReply:
    """What to call it when time is up and `fault_in` still hopes for more."""
    if not frame:
        return BadReply(GapReason.NO_REPLY, f"no reply within {timeout_s:.2f} s")
    refusal = bytes((exchange.unit, exchange.function | _EXCEPTION_BIT))
    if exchange.head.startswith(frame[:_HEAD]) or frame.startswith(refusal):
        length = _frame_length(frame, exchange) or exchange.length
        detail = f"{len(frame)} of {length} bytes within {timeout_s:.2f} s"
        return BadReply(GapReason.CUT, f"{detail}: {shown_bytes(frame)}")
    if len(frame) > _HEAD and crc16_modbus(frame) == 0:
        return _foreign(frame, exchange)
    got, expected = shown_bytes(frame[:_HEAD]), shown_bytes(exchange.head)
    return _garbled(f"reply begins {got}, expected {expected}", frame)


def _frame_length(frame: bytes, exchange: Exchange) -> int | None:
    """Length of the frame by its own head; None if its function does not tell."""
    if frame[:_HEAD] == exchange.head:
        return exchange.length
    if len(frame) < 2:
        return None
    function = frame[1]
    if function & _EXCEPTION_BIT:
        return _EXCEPTION_LENGTH
    if function in _WRITES:
        return _WRITE_LENGTH
    return _HEAD + frame[2] + 2 if function in _READS and len(frame) > 2 else None


def _fault_in_whole(whole: bytes, frame: bytes, exchange: Exchange) -> BadReply:
    """What is wrong with a frame that has come to its end; `frame` may be longer."""
    if crc16_modbus(whole) != 0:
        got = int.from_bytes(whole[-2:], "little")
        text = f"checksum 0x{got:04X}, expected 0x{crc16_modbus(whole[:-2]):04X}"
        return _garbled(text, frame)
    refusal = bytes((exchange.unit, exchange.function | _EXCEPTION_BIT))
    if not whole.startswith((exchange.head, refusal)):
        return _foreign(frame, exchange)
    if len(frame) > len(whole):
        return _garbled(f"{len(frame) - len(whole)} bytes after a whole reply", frame)
    code = whole[2]
    name = _EXCEPTIONS.get(code, "not in the standard")
    detail = f"exception {code} ({name}) to function {exchange.function}"
    return BadReply(GapReason.REFUSED, detail)


def _may_be_echo(frame: bytes, exchange: Exchange) -> bool:
    """Whether the request itself is coming back, as on a two-wire adapter with echo."""
    size = len(exchange.request)
    return exchange.request.startswith(frame[:size]) and frame[:_HEAD] != exchange.head


def _echo(frame: bytes) -> BadReply:
    """The line returns what is sent."""
    text = "the line sends the request back, switch the adapter's echo off"
    return BadReply(GapReason.FOREIGN, f"{text}: {shown_bytes(frame)}")


def _foreign(frame: bytes, exchange: Exchange) -> BadReply:
    """A sound frame, but not from whom or to what was asked."""
    function = frame[1] & ~_EXCEPTION_BIT
    if frame[0] != exchange.unit:
        text = f"reply of unit {frame[0]}, expected {exchange.unit}"
    elif function != exchange.function:
        text = f"reply to function {function}, expected {exchange.function}"
    else:
        text = f"byte count {frame[2]}, expected {exchange.head[2]}"
    return BadReply(GapReason.FOREIGN, f"{text} in {shown_bytes(frame)}")


def _garbled(text: str, frame: bytes) -> BadReply:
    """Bytes that are no frame."""
    return BadReply(GapReason.GARBLED, f"{text} in {shown_bytes(frame)}")
