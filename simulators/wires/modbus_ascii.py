"""A Modbus ASCII unit that lets its registers be read.

Source:
    Modbus over Serial Line V1.02: 2.5.2.1 (a colon, two hexadecimal digits a byte, carriage
    return and line feed), 2.5.2.2 and 6.2.1 (LRC: the two's complement of the sum of the
    bytes). What is asked and answered is the same as in RTU frames.

A frame that is damaged or meant for another unit gets no reply at all.
"""

from binascii import Error, a2b_hex
from collections.abc import Mapping, Set

from simulators.wires.modbus_rtu import read_registers


def lrc(data: bytes) -> int:
    """The byte that makes the sum of all a multiple of 256."""
    return (0x100 - sum(data) % 0x100) % 0x100


def framed(body: bytes) -> bytes:
    """The frame of a body: unit, function and data."""
    spelt = "".join(f"{byte:02X}" for byte in (*body, lrc(body)))
    return f":{spelt}\r\n".encode("ascii")


def body_of(frame: bytes) -> bytes | None:
    """The body of a frame that is intact; what came before the last colon is dropped."""
    _, colon, rest = frame.rpartition(b":")
    try:
        spelt = a2b_hex(rest.removesuffix(b"\r\n"))
    except Error:
        return None
    if not colon or not rest.endswith(b"\r\n") or len(spelt) < 3:
        return None
    return spelt[:-1] if sum(spelt) % 0x100 == 0 else None


def answer(
    frame: bytes,
    *,
    unit: int,
    functions: Set[int],
    registers: Mapping[int, int],
) -> bytes | None:
    """Reply of a unit to a frame on its line; None where it keeps silent."""
    body = body_of(frame)
    if body is None or body[0] != unit:
        return None
    data = read_registers(body[1:], functions=functions, registers=registers)
    return framed(bytes([unit]) + data)


def readdressed(reply: bytes, unit: int) -> bytes:
    """The same reply as another unit would have sent it, with an LRC that is right."""
    body = body_of(reply)
    return b"" if body is None else framed(bytes([unit]) + body[1:])
