"""How characters are framed on a serial line, and how long they take.

Source:
    Modbus over Serial Line Specification and Implementation Guide V1.02, 2.5.1: a
    character of 11 bits at 8E1 or 8N2; 2.5.1.1: frames are 3.5 character times apart,
    and above 19200 baud a fixed 1.750 ms.
"""

import re
from dataclasses import dataclass

FIXED_SILENCE_S = 0.00175
FASTEST_COUNTED_BAUD = 19200


@dataclass(frozen=True)
class Framing:
    """Speed and shape of the characters on one line."""

    baud: int
    data_bits: int
    parity: str
    stop_bits: int

    def __str__(self) -> str:
        return f"{self.baud} {self.data_bits}{self.parity}{self.stop_bits}"

    @property
    def character_s(self) -> float:
        """Time of one character: start bit, data, parity where there is one, stop."""
        bits = 1 + self.data_bits + (self.parity != "N") + self.stop_bits
        return bits / self.baud

    @property
    def silence_s(self) -> float:
        """Silence that ends a Modbus frame (t3.5)."""
        if self.baud > FASTEST_COUNTED_BAUD:
            return FIXED_SILENCE_S
        return 3.5 * self.character_s


def garbled(data: bytes) -> bytes:
    """What the other end takes bytes for whose speed is not its own: as many, never the right ones.

    Every byte becomes one of 0xF8 to 0xFF, which long bits look like to a faster receiver. No such byte is a
    digit, a letter or a line feed, and Modbus reserves addresses above 247 (V1.02, 2.2):
    nothing that arrives like this can pass for a request or a reply.
    """
    return bytes(0xF8 | (byte ^ byte >> 3) & 7 for byte in data)


def parse_framing(baud: int, shape: str) -> Framing:
    """Read a shape such as `8E1`.

    Raises:
        ValueError: If the shape is not data bits, parity letter, stop bits.
    """
    match = re.fullmatch(r"([78])([NEO])([12])", shape)
    if match is None or baud <= 0:
        msg = f"got {baud} {shape}, expected a positive speed and a shape such as 8N1"
        raise ValueError(msg)
    return Framing(baud, int(match[1]), match[2], int(match[3]))
