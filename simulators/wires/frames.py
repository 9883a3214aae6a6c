"""A meter that sends a binary frame of eight bytes again and again.

    byte    0, 1    55 AA
            2       bit 7: below zero; bit 0: out of range
            3       digits behind the decimal point
            4, 5    the digits as a number, high byte first, without the sign
            6       0
            7       CRC-8 of bytes 2 to 6

The CRC has the generator x^8 + x^2 + x + 1 (0x07) and begins with 0, highest bit first, as
in ITU-T I.432.1 without its last step. Our own frame; the like is found on hand-held meters.
"""

import math

SYNC = b"\x55\xaa"
_MOST = 0xFFFF


def crc8(data: bytes) -> int:
    """Remainder of the division by 0x107, bit by bit."""
    register = 0
    for byte in data:
        for place in range(7, -1, -1):
            carry = register >> 7
            register = (register << 1 | byte >> place & 1) & 0xFF
            if carry:
                register ^= 0x07
    for _ in range(8):
        carry = register >> 7
        register = register << 1 & 0xFF
        if carry:
            register ^= 0x07
    return register


def encode_frame(value: float, *, decimals: int) -> bytes:
    """One frame of a value; out of range where it has more digits than fit."""
    count = round(abs(value) * 10**decimals) if math.isfinite(value) else _MOST + 1
    flags = 0x80 if value < 0 else 0x00
    if count > _MOST:
        flags, count = flags | 0x01, 0
    body = bytes((flags, decimals, count >> 8, count & 0xFF, 0))
    return SYNC + body + bytes((crc8(body),))
