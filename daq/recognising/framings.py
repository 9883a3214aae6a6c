"""Speeds and characters of a serial line, in the order in which a search tries them.

Knows no port. The order is that of how often meters come with a setting; a search that is told a baud rate or a
character by the operator tries nothing else.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from daq.framing import character_time_s, modbus_silence_s

BAUDS = (9600, 19_200, 115_200, 38_400, 57_600, 4800, 2400, 1200)
SHAPES = ("8N1", "8E1", "8O1", "8N2", "7E1", "7O1")

ASCII_SHAPES = ("7E1", "8N1", "7O1", "7N2", "8E1", "8N2", "8O1")
"""Of Modbus ASCII, the standard's own first (Modbus over Serial Line V1.02, 2.5.2)."""

_PARITIES = {"N": "none", "E": "even", "O": "odd"}


@dataclass(frozen=True, slots=True)
class Framing:
    """Settings of one serial line.

    Attributes:
        baud: [bit/s].
        data_bits, stop_bits: Of a character [bit].
        parity: "none", "even" or "odd".
    """

    baud: int
    data_bits: int
    parity: str
    stop_bits: int

    def __str__(self) -> str:
        """As manuals write it: `9600 8N1`."""
        return f"{self.baud} {self.shape}"

    @property
    def shape(self) -> str:
        """Data bits, parity, stop bits: `8N1`."""
        return f"{self.data_bits}{self.parity[0].upper()}{self.stop_bits}"

    @property
    def char_s(self) -> float:
        """Time of one character [s]."""
        return character_time_s(
            self.baud, self.data_bits, self.parity[0].upper(), self.stop_bits
        )

    @property
    def silence_s(self) -> float:
        """Silence that Modbus wants before each request [s]."""
        return modbus_silence_s(self.baud, self.baud * self.char_s)

    def with_shape(self, shape: str) -> "Framing":
        """The same speed with other characters."""
        return replace(parse_framing(self.baud, shape), baud=self.baud)


def parse_framing(baud: int, shape: str) -> Framing:
    """A framing of its speed and the short form of its characters.

    Raises:
        ValueError: If the shape is not like 8N1.
    """
    match = re.fullmatch(r"([78])([NEO])([12])", shape.upper())
    if match is None:
        msg = f"framing {shape!r}, expected data bits, parity, stop bits like {', '.join(SHAPES)}"
        raise ValueError(msg)
    return Framing(baud, int(match[1]), _PARITIES[match[2]], int(match[3]))


def framings_to_try(
    bauds: Sequence[int] = BAUDS, shapes: Sequence[str] = SHAPES
) -> tuple[Framing, ...]:
    """All speeds with the first shape, then all with the next: a wrong speed spoils more than a wrong parity."""
    return tuple(parse_framing(baud, shape) for shape in shapes for baud in bauds)


def register_framings(framings: Sequence[Framing]) -> tuple[Framing, ...]:
    """Those that Modbus RTU can have: its bytes need eight bits."""
    return tuple(framing for framing in framings if framing.data_bits == 8)
