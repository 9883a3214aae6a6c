"""What stands where in a frame of a fixed length.

Knows no time and no order of frames: one frame goes in, raw numbers or a fault come out.
A frame is the sync bytes, then fields at their places, and perhaps a checksum.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Literal

from daq.checksums import Checksum
from daq.protocols import ReportedField

FrameType = Literal["u8", "s8", "u16", "s16", "u24", "s24", "u32", "s32", "f32", "bcd"]
FrameByteOrder = Literal["ABCD", "DCBA"]

MAX_LENGTH = 256
"""Longest frame [byte]."""

_SIZES = {
    "u8": 1, "s8": 1, "u16": 2, "s16": 2, "u24": 3, "s24": 3, "u32": 4, "s32": 4, "f32": 4,
}  # fmt: skip
_MOST_DECIMALS = 9


@dataclass(frozen=True, slots=True)
class FrameBits:
    """Bits of one byte that say something when they have a certain value.

    Attributes:
        byte: Zero-based place in the frame.
        mask: Bits that count.
        value: What they must be.
    """

    byte: int
    mask: int
    value: int

    def are_set(self, frame: bytes) -> bool:
        """Whether these bits of a frame have that value."""
        return frame[self.byte] & self.mask == self.value


@dataclass(frozen=True, slots=True)
class DecimalPoint:
    """The byte that says where the decimal point stands.

    Attributes:
        byte: Zero-based place in the frame.
        mask: Bits of it that are the number of digits behind the point.
    """

    byte: int
    mask: int


@dataclass(frozen=True, slots=True)
class FrameField(ReportedField):
    """One value at one place of the frame.

    Attributes:
        byte: Zero-based place of its first byte; the sync bytes count.
        type: Width and sign, f32 for IEEE 754 binary32, bcd for two decimal digits a byte.
        size: Of a bcd value [byte]; of the others it follows from the type.
        byte_order: ABCD highest byte first, DCBA lowest first.
        sign: Bits that say that the value is below zero; None if its type tells.
        point: Where the digits behind the point are told; None if they never change.
        overrange: Bytes that stand in place of a value out of range.
        overrange_bits: Bits that say that the value is out of range; None if none do.
    """

    byte: int
    type: FrameType
    size: int = 0
    byte_order: FrameByteOrder = "ABCD"
    sign: FrameBits | None = None
    point: DecimalPoint | None = None
    overrange: tuple[bytes, ...] = ()
    overrange_bits: FrameBits | None = None

    def __post_init__(self) -> None:
        """Refuse what no frame can hold."""
        # A class with slots is made twice, and super() would mean the first one.
        ReportedField.__post_init__(self)
        if self.type == "bcd":
            if not 1 <= self.size <= 8:
                msg = f"{self.name}: {self.size} bytes of bcd, expected 1 to 8"
                raise ValueError(msg)
        elif self.type not in _SIZES:
            msg = f"{self.name}: type {self.type!r}, expected one of {', '.join(_SIZES)}, bcd"
            raise ValueError(msg)
        elif self.size not in (0, _SIZES[self.type]):
            msg = f"{self.name}: {self.size} bytes of {self.type}, expected no such key or {_SIZES[self.type]}"
            raise ValueError(msg)
        if self.byte_order not in ("ABCD", "DCBA"):
            msg = f"{self.name}: byte order {self.byte_order!r}, expected ABCD or DCBA"
            raise ValueError(msg)
        if wrong := [text for text in self.overrange if len(text) != self.width]:
            msg = f"{self.name}: overrange {wrong[0].hex(' ').upper()!r}, expected {self.width} bytes"
            raise ValueError(msg)

    @property
    def width(self) -> int:
        """How many bytes the value fills [byte]."""
        return self.size if self.type == "bcd" else _SIZES[self.type]

    @property
    def last_byte(self) -> int:
        """The last place in the frame that this field looks at."""
        others = (self.sign, self.point, self.overrange_bits)
        places = [it.byte for it in others if it is not None]
        return max([self.byte + self.width - 1, *places])

    def raw_in(self, frame: bytes) -> float | None:
        """The raw number of a frame; None if it is out of range.

        Raises:
            ValueError: If the bytes are no number of this type.
        """
        data = frame[self.byte : self.byte + self.width]
        is_over = self.overrange_bits is not None and self.overrange_bits.are_set(frame)
        if is_over or data in self.overrange:
            return None
        raw = self._number(self._without_sign(data))
        if self.sign is not None and self.sign.are_set(frame):
            raw = -raw
        decimals = 0 if self.point is None else self._decimals(self.point, frame)
        # Divided, not multiplied by a tenth: 1234 / 100 is the double nearest to 12.34.
        return raw / 10**decimals if isfinite(raw) else None

    def _decimals(self, point: DecimalPoint, frame: bytes) -> int:
        decimals = frame[point.byte] & point.mask
        if decimals > _MOST_DECIMALS:
            msg = f"{self.name} {decimals} digits behind the point, expected {_MOST_DECIMALS} at most"
            raise ValueError(msg)
        return decimals

    def _without_sign(self, data: bytes) -> bytes:
        """The bytes of the value; a sign's bits among them are no part of it."""
        if self.sign is None or not 0 <= self.sign.byte - self.byte < len(data):
            return data
        changed = bytearray(data)
        changed[self.sign.byte - self.byte] &= ~self.sign.mask & 0xFF
        return bytes(changed)

    def _number(self, data: bytes) -> float:
        in_order = data if self.byte_order == "ABCD" else data[::-1]
        if self.type == "f32":
            (number,) = struct.unpack(">f", in_order)
            return float(number)
        if self.type != "bcd":
            return float(int.from_bytes(in_order, "big", signed=self.type[0] == "s"))
        digits = in_order.hex()
        if not digits.isdecimal():
            msg = f"{self.name} {data.hex(' ').upper()!r}, expected two decimal digits a byte in"
            raise ValueError(msg)
        return float(int(digits))


@dataclass(frozen=True, slots=True)
class FrameChecksum:
    """A frame's checksum.

    Attributes:
        checksum: How it is computed.
        byte: Zero-based place of its first byte.
        first: Place of the first byte that it covers.
        last: Place of the last byte that it covers.
        byte_order: AB high byte first, BA low byte first.
    """

    checksum: Checksum
    byte: int
    first: int
    last: int
    byte_order: Literal["AB", "BA"] = "AB"

    def fault_in(self, frame: bytes) -> str:
        """What is wrong with a frame's checksum, in words; empty if it is right."""
        size = self.checksum.size
        order: Literal["big", "little"] = "big" if self.byte_order == "AB" else "little"
        got = int.from_bytes(frame[self.byte : self.byte + size], order)
        expected = self.checksum.of(frame[self.first : self.last + 1])
        if got == expected:
            return ""
        digits = 2 * size
        return f"checksum 0x{got:0{digits}X}, expected 0x{expected:0{digits}X} in"


@dataclass(frozen=True, slots=True)
class FrameLayout:
    """A whole frame.

    Attributes:
        length: [byte], sync and checksum included.
        fields: In the order that readings shall have.
        sync: What every frame begins with; may be empty where frames are asked for.
        checksum: None if there is none.
    """

    length: int
    fields: Sequence[FrameField]
    sync: bytes = b""
    checksum: FrameChecksum | None = None

    def __post_init__(self) -> None:
        """Refuse what lies outside the frame."""
        if not 1 <= self.length <= MAX_LENGTH or len(self.sync) >= self.length:
            msg = f"length {self.length} with {len(self.sync)} sync bytes, expected more than those, {MAX_LENGTH} at most"
            raise ValueError(msg)
        for field in self.fields:
            if field.byte < 0 or field.last_byte >= self.length:
                msg = f"{field.name}: byte {field.last_byte}, expected all of it in bytes 0 to {self.length - 1}"
                raise ValueError(msg)
        if self.checksum is not None:
            self._require_inside(self.checksum)

    def _require_inside(self, checksum: FrameChecksum) -> None:
        end = checksum.byte + checksum.checksum.size
        if checksum.byte < 0 or end > self.length:
            msg = f"checksum at byte {checksum.byte}, expected all of it in bytes 0 to {self.length - 1}"
            raise ValueError(msg)
        is_span = 0 <= checksum.first <= checksum.last < self.length
        if not is_span or (checksum.first < end and checksum.last >= checksum.byte):
            msg = f"checksum over bytes {checksum.first} to {checksum.last}, expected bytes of the frame without its own"
            raise ValueError(msg)

    def fault_in(self, frame: bytes) -> str:
        """What is wrong with bytes of this length, before any value is read; empty if nothing is."""
        if not frame.startswith(self.sync):
            got, expected = frame[: len(self.sync)], self.sync
            return f"frame begins {got.hex(' ').upper()!r}, expected {expected.hex(' ').upper()!r} in"
        return "" if self.checksum is None else self.checksum.fault_in(frame)

    def raws_in(self, frame: bytes) -> list[float | None]:
        """The raw numbers of a frame without fault; None for what is out of range.

        Raises:
            ValueError: If a field's bytes are no number of its type.
        """
        return [field.raw_in(frame) for field in self.fields]
