"""Checksums that meters put behind their frames and lines.

Knows no protocol: bytes go in, a number of eight or sixteen bits comes out. CRCs are
described by the parameters of the Rocksoft model (Williams, A Painless Guide to CRC Error
Detection Algorithms, 1993, section 15), with which the published catalogues list them.
Nothing here raises on received bytes.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import reduce
from operator import xor
from types import MappingProxyType
from typing import Literal

ChecksumKind = Literal[
    "xor8", "sum8", "lrc8", "crc8", "crc16", "crc16-modbus", "crc16-ccitt"
]


@dataclass(frozen=True, slots=True)
class CrcParameters:
    """A cyclic redundancy check in the terms of the Rocksoft model.

    Attributes:
        width: 8 or 16 [bit].
        polynomial: Without its highest term, highest bit first.
        initial: What the register holds at first.
        reflected: Whether bytes go in, and the result comes out, lowest bit first.
        final_xor: By which the result is changed at last.
    """

    width: int
    polynomial: int
    initial: int = 0
    reflected: bool = False
    final_xor: int = 0

    def __post_init__(self) -> None:
        """Refuse what does not fit into the width."""
        if self.width not in (8, 16):
            msg = f"width {self.width}, expected 8 or 16"
            raise ValueError(msg)
        most = (1 << self.width) - 1
        for name in ("polynomial", "initial", "final_xor"):
            number = getattr(self, name)
            if not 0 <= number <= most:
                msg = f"{name} 0x{number:X}, expected 0 to 0x{most:X}"
                raise ValueError(msg)
        # Its lowest term is 1 in every generator in use; without it a CRC is blind to its last bits.
        if not self.polynomial & 1:
            msg = f"polynomial 0x{self.polynomial:X} is even, expected it highest bit first, without the highest term"
            raise ValueError(msg)


CRC16_MODBUS = CrcParameters(16, 0x8005, initial=0xFFFF, reflected=True)
"""Modbus over Serial Line V1.02, 2.5.1.2."""
CRC16_CCITT = CrcParameters(16, 0x1021, initial=0xFFFF)
"""The generator of ITU-T V.41, preset to ones, highest bit first."""


@dataclass(frozen=True, slots=True)
class Checksum:
    """How a checksum is computed, and how long it is.

    Attributes:
        size: [byte].
        of: Takes the bytes that are covered.
    """

    size: int
    of: Callable[[bytes], int]


def xor8(data: bytes) -> int:
    """Exclusive-or of all bytes."""
    return reduce(xor, data, 0)


def sum8(data: bytes) -> int:
    """Sum of all bytes, its lowest eight bits."""
    return sum(data) & 0xFF


def lrc8(data: bytes) -> int:
    """Two's complement of `sum8`, so that the sum with it is 0 (Modbus over Serial Line V1.02, 6.2.1)."""
    return -sum(data) & 0xFF


def crc(parameters: CrcParameters) -> Checksum:
    """A cyclic redundancy check, table and all."""
    if parameters.reflected:
        return Checksum(parameters.width // 8, _reflected(parameters))
    return Checksum(parameters.width // 8, _plain(parameters))


def _plain(parameters: CrcParameters) -> Callable[[bytes], int]:
    """Highest bit first."""
    width, polynomial = parameters.width, parameters.polynomial
    mask, shift = (1 << width) - 1, width - 8

    def entry(byte: int) -> int:
        register = byte << shift
        for _ in range(8):
            carry = register >> (width - 1) & 1
            register = (register << 1 ^ (polynomial if carry else 0)) & mask
        return register

    table = tuple(entry(byte) for byte in range(256))

    def compute(data: bytes) -> int:
        register = parameters.initial
        for byte in data:
            register = (register << 8 & mask) ^ table[(register >> shift ^ byte) & 0xFF]
        return register ^ parameters.final_xor

    return compute


def _reflected(parameters: CrcParameters) -> Callable[[bytes], int]:
    """Lowest bit first: the same with every number turned round."""
    width = parameters.width
    polynomial = _turned(parameters.polynomial, width)

    def entry(byte: int) -> int:
        register = byte
        for _ in range(8):
            register = register >> 1 ^ (polynomial if register & 1 else 0)
        return register

    table = tuple(entry(byte) for byte in range(256))
    initial = _turned(parameters.initial, width)

    def compute(data: bytes) -> int:
        register = initial
        for byte in data:
            register = register >> 8 ^ table[(register ^ byte) & 0xFF]
        return register ^ parameters.final_xor

    return compute


def _turned(number: int, width: int) -> int:
    """The bits of a number in the other order."""
    return int(f"{number:0{width}b}"[::-1], 2)


NAMED: Mapping[str, Checksum] = MappingProxyType(
    {
        "xor8": Checksum(1, xor8),
        "sum8": Checksum(1, sum8),
        "lrc8": Checksum(1, lrc8),
        "crc16-modbus": crc(CRC16_MODBUS),
        "crc16-ccitt": crc(CRC16_CCITT),
    }
)
"""Those that need no more than their name."""


@dataclass(frozen=True, slots=True)
class LineChecksum:
    """A checksum in hexadecimal digits at the end of a line of text.

    Attributes:
        checksum: Over what stands between the two marks.
        start: Mark with which the line begins, not covered; empty if there is none.
        separator: Mark between what is covered and the digits, not covered itself.
    """

    checksum: Checksum
    start: bytes = b""
    separator: bytes = b"*"

    def digits_of(self, covered: bytes) -> bytes:
        """The digits that belong behind what is covered."""
        value = self.checksum.of(covered)
        return f"{value:0{2 * self.checksum.size}X}".encode("ascii")

    def covered_in(self, line: bytes) -> bytes | None:
        """What a line's checksum covers; None if the line is not so built."""
        bare = _bare(line)
        end = len(bare) - 2 * self.checksum.size - len(self.separator)
        is_built_so = (
            end >= len(self.start)
            and bare.startswith(self.start)
            and bare.startswith(self.separator, end)
        )
        return bare[len(self.start) : end] if is_built_so else None

    def fault_in(self, line: bytes) -> str:
        """What is wrong with a line's checksum, in words; empty if it is right."""
        covered = self.covered_in(line)
        if covered is None:
            begin = f"{self.start.decode('latin-1')!r} first, " if self.start else ""
            mark = self.separator.decode("latin-1")
            digits = 2 * self.checksum.size
            return (
                f"no checksum, expected {begin}{mark!r} and {digits} digits at the end"
            )
        expected, got = self.digits_of(covered), _bare(line)[-2 * self.checksum.size :]
        if got.upper() == expected:
            return ""
        return f"checksum {got.decode('latin-1')!r}, expected {expected.decode()!r}"


def _bare(line: bytes) -> bytes:
    """The line without its end; blanks at its beginning may be covered, and stay."""
    return line.strip(b"\r\n").rstrip(b" ")
