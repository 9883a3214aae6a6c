"""A meter that shares its line with others of its kind, and is asked by its address.

The request is `#01P*hh`, the reply `#01,+123.4*hh`, both ended by carriage return and line
feed: `#`, two digits of address, and behind `*` two hexadecimal digits, the exclusive-or of
all characters between the two marks. Beyond the meter's range it says +9.9E37 (SCPI-1999
volume 1). A request that is damaged or meant for another meter gets no reply.
"""

from simulators.wires.streamed_lines import OVERRANGE

_OVERRANGE_NUMBER = "+9.9E37"


def checksum(text: str) -> str:
    """Two digits: the exclusive-or of all characters."""
    total = 0
    for character in text.encode("ascii"):
        total ^= character
    return f"{total:02X}"


def framed(text: str) -> bytes:
    """The line of what stands between the two marks."""
    return f"#{text}*{checksum(text)}\r\n".encode("ascii")


def answer(line: bytes, *, unit: int, value: str) -> bytes | None:
    """Reply of a meter to a line; None where it keeps silent."""
    if line.strip() != framed(f"{unit:02}P").strip():
        return None
    number = _OVERRANGE_NUMBER if value == OVERRANGE else value
    return framed(f"{unit:02},{number}")


def readdressed(reply: bytes, unit: int) -> bytes:
    """The same reply as another meter would have sent it, with a checksum that is right."""
    _, _, rest = reply.decode("ascii").partition(",")
    number, _, _ = rest.rpartition("*")
    return framed(f"{unit:02},{number}")
