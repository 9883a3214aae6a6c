"""A Modbus RTU unit that lets its registers be read.

Source:
    Modbus over Serial Line V1.02: 2.5.1.2 and appendix B (CRC, low byte first), 2.2
    (address 0 is a broadcast and gets no reply). Modbus Application Protocol V1.1b3:
    6.3 (function 3), 6.4 (function 4), 7 (exception codes). 32-bit values are two
    registers, high word first: the protocol leaves that to the meter.

A frame that is damaged or meant for another unit gets no reply at all.
"""

import math
import struct
from collections.abc import Mapping, Set

READ_HOLDING = 3
READ_INPUT = 4
ILLEGAL_FUNCTION = 1
ILLEGAL_ADDRESS = 2
ILLEGAL_VALUE = 3
MOST_REGISTERS = 125


def _table() -> tuple[int, ...]:
    entries = []
    for byte in range(256):
        remainder = byte
        for _ in range(8):
            carry = remainder & 1
            remainder >>= 1
            if carry:
                remainder ^= 0xA001
        entries.append(remainder)
    return tuple(entries)


_TABLE = _table()


def crc16(data: bytes) -> int:
    """CRC of a frame: polynomial 0xA001 reflected, starting from 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc


def with_crc(body: bytes) -> bytes:
    """The frame of a body: its CRC follows, low byte first."""
    return body + struct.pack("<H", crc16(body))


def is_intact(frame: bytes) -> bool:
    """Whether a frame is long enough and its CRC is right."""
    return len(frame) >= 4 and crc16(frame) == 0


def answer(
    frame: bytes,
    *,
    unit: int,
    functions: Set[int],
    registers: Mapping[int, int],
) -> bytes | None:
    """Reply of a unit to a frame on its line; None where it keeps silent."""
    if not is_intact(frame) or frame[0] != unit:
        return None
    body = read_registers(frame[1:-2], functions=functions, registers=registers)
    return with_crc(bytes([unit]) + body)


def readdressed(reply: bytes, unit: int) -> bytes:
    """The same reply as another unit would have sent it, with a CRC that is right."""
    return with_crc(bytes([unit]) + reply[1:-2])


def float_registers(value: float) -> tuple[int, int]:
    """Two registers of a 32-bit IEEE 754 number; what is not a number becomes 0."""
    known = 0.0 if math.isnan(value) else value
    high, low = struct.unpack(">HH", struct.pack(">f", known))
    return int(high), int(low)


def scaled_register(value: float, *, step: float) -> int:
    """One register counting steps, two's complement; 0xFFFF where it does not fit."""
    if not math.isfinite(value):
        return 0xFFFF
    count = round(value / step)
    return count & 0xFFFF if -0x8000 <= count < 0xFFFF else 0xFFFF


def scaled_registers(value: float, *, step: float) -> tuple[int, int]:
    """Two registers counting steps, high word first; 0xFFFFFFFF where it does not fit."""
    count = round(value / step) if math.isfinite(value) else 0xFFFF_FFFF
    return counter_registers(count)


def counter_registers(count: int) -> tuple[int, int]:
    """Two registers of a 32-bit counter that runs over to 0."""
    return (count >> 16) & 0xFFFF, count & 0xFFFF


def read_registers(
    request: bytes, *, functions: Set[int], registers: Mapping[int, int]
) -> bytes:
    """Answer to a request, both without address and checksum, whatever frames them."""
    function = request[0]
    if function not in functions:
        return bytes([function | 0x80, ILLEGAL_FUNCTION])
    if len(request) != 5:
        return bytes([function | 0x80, ILLEGAL_VALUE])
    start, count = struct.unpack(">HH", request[1:])
    if not 1 <= count <= MOST_REGISTERS:
        return bytes([function | 0x80, ILLEGAL_VALUE])
    wanted = range(start, start + count)
    if any(address not in registers for address in wanted):
        return bytes([function | 0x80, ILLEGAL_ADDRESS])
    values = struct.pack(f">{count}H", *(registers[address] for address in wanted))
    return bytes([function, len(values)]) + values
