"""What a request asks and what a sound answer says, whichever way both are framed.

Knows no checksum, no characters and no time: it is handed bodies, that is the unit, the
function and the data, whose checksum was found right.

Sources: Modbus Application Protocol V1.1b3, 4.1 (lengths), 6.3 and 6.4 (functions 3 and
4), 7 (exceptions).
"""

from dataclasses import dataclass

from daq.framing import shown_bytes
from daq.protocols.modbus.registers import Block
from daq.records import GapReason

HEAD = 3
"""Unit, function, byte count: what the body of every reply begins with [bytes]."""
EXCEPTION_BIT = 0x80

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
class Asked:
    """What one request asks, and what the body of its reply must look like.

    Attributes:
        body: Of the request.
        unit: Which must answer.
        function: That must be answered.
        head: First three bytes of the reply's body.
        length: Of the reply's body [bytes].
    """

    body: bytes
    unit: int
    function: int
    head: bytes
    length: int

    @property
    def refusal(self) -> bytes:
        """First two bytes of an exception in place of the reply."""
        return bytes((self.unit, self.function | EXCEPTION_BIT))


def asked_for(block: Block, unit: int) -> Asked:
    """What is asked to read a block of registers."""
    wanted = block.address.to_bytes(2, "big") + block.count.to_bytes(2, "big")
    return Asked(
        body=bytes((unit, block.function)) + wanted,
        unit=unit,
        function=block.function,
        head=bytes((unit, block.function, 2 * block.count)),
        length=HEAD + 2 * block.count,
    )


def fault_of_sound(body: bytes, asked: Asked, received: bytes) -> BadReply | None:
    """What is wrong with a sound body of at least three bytes; None if it begins as the reply does.

    Args:
        body: Of an answer whose checksum is right.
        asked: What it should answer.
        received: As it came, for the message.
    """
    if body.startswith(asked.head):
        return None
    if body.startswith(asked.refusal):
        code = body[2]
        name = _EXCEPTIONS.get(code, "not in the standard")
        detail = f"exception {code} ({name}) to function {asked.function}"
        return BadReply(GapReason.REFUSED, detail)
    return foreign(body, asked, received)


def foreign(body: bytes, asked: Asked, received: bytes) -> BadReply:
    """A sound answer, but not from whom or to what was asked."""
    function = body[1] & ~EXCEPTION_BIT
    if body[0] != asked.unit:
        text = f"reply of unit {body[0]}, expected {asked.unit}"
    elif function != asked.function:
        text = f"reply to function {function}, expected {asked.function}"
    else:
        text = f"byte count {body[2]}, expected {asked.head[2]}"
    return BadReply(GapReason.FOREIGN, f"{text} in {shown_bytes(received)}")


def echoed(received: bytes) -> BadReply:
    """The line returns what is sent."""
    text = "the line sends the request back, switch the adapter's echo off"
    return BadReply(GapReason.FOREIGN, f"{text}: {shown_bytes(received)}")


def garbled(text: str, received: bytes) -> BadReply:
    """Bytes that are no answer."""
    return BadReply(GapReason.GARBLED, f"{text} in {shown_bytes(received)}")
