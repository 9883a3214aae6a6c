"""Binary frames that nobody is told of: sync bytes, values, other bytes and a checksum, drawn at random.

Shares no code with the program: checksums are computed bit by bit, from their published parameters.
"""

import random
import re
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field


def crc_by_bit(
    data: bytes,
    width: int,
    polynomial: int,
    initial: int,
    *,
    reflected: bool = False,
    final_xor: int = 0,
) -> int:
    """Williams, A Painless Guide to CRC Error Detection Algorithms, section 15: one bit at a time."""
    rest = initial
    for byte in data:
        bits = range(8) if reflected else range(7, -1, -1)
        for place in bits:
            carry = (rest >> (width - 1) & 1) ^ (byte >> place & 1)
            rest = (rest << 1) & ((1 << width) - 1)
            rest ^= polynomial if carry else 0
    if reflected:
        rest = int(f"{rest:0{width}b}"[::-1], 2)
    return rest ^ final_xor


def _xor(data: bytes) -> int:
    rest = 0
    for byte in data:
        rest ^= byte
    return rest


CHECKSUMS: Mapping[str, tuple[int, Callable[[bytes], int]]] = {
    "none": (0, lambda _: 0),
    "sum8": (1, lambda data: sum(data) % 256),
    "lrc8": (1, lambda data: -sum(data) % 256),
    "xor8": (1, _xor),
    "crc8 07": (1, lambda data: crc_by_bit(data, 8, 0x07, 0)),
    "crc8 31 FF": (1, lambda data: crc_by_bit(data, 8, 0x31, 0xFF)),
    "crc8 31 reflected": (1, lambda d: crc_by_bit(d, 8, 0x31, 0, reflected=True)),
    "crc16 modbus": (
        2,
        lambda d: crc_by_bit(d, 16, 0x8005, 0xFFFF, reflected=True),
    ),
    "crc16 8005 reflected": (
        2,
        lambda d: crc_by_bit(d, 16, 0x8005, 0, reflected=True),
    ),
    "crc16 ccitt": (2, lambda data: crc_by_bit(data, 16, 0x1021, 0xFFFF)),
    "crc16 1021": (2, lambda data: crc_by_bit(data, 16, 0x1021, 0)),
}
_SYNCS = ("AA", "55 AA", "A5 5A", "AA 55", "FE", "68", "7E 01", "02", "EB 90", "FF FE")
_TYPES = ("u16", "u16", "u16", "s16", "u24", "s24", "u32", "s32", "f32", "bcd")
_SIZES = {"u16": 2, "s16": 2, "u24": 3, "s24": 3, "u32": 4, "s32": 4, "f32": 4}


@dataclass
class FrameDraw:
    """One way to build a frame.

    Attributes:
        sync: Bytes at its beginning.
        values: Name, type and decimals, in their order.
        order: big or little.
        parts: What stands where: a value's name, "status", "counter", "zeros" or "point NAME".
        checksum: Key of CHECKSUMS.
        first: The first byte that it covers.
        low_first: Whether its low byte comes first.
        tail: Bytes behind it.
    """

    sync: bytes
    types: Mapping[str, str]
    decimals: Mapping[str, int]
    order: str
    parts: Sequence[str]
    checksum: str
    first: int
    low_first: bool
    tail: bytes
    count: int = field(default=0)

    @property
    def described(self) -> str:
        types = ", ".join(
            f"{name} {kind} x1e-{self.decimals[name]}"
            for name, kind in self.types.items()
        )
        return (
            f"{self.sync.hex()} [{' '.join(self.parts)}] {self.checksum} from {self.first}"
            f"{' low first' if self.low_first else ''} tail {self.tail.hex()!r}; {self.order}: {types}"
        )

    def encoded(self, values: Mapping[str, float]) -> bytes:
        """The next frame."""
        self.count += 1
        body = self.sync + b"".join(self._part(part, values) for part in self.parts)
        size, of = CHECKSUMS[self.checksum]
        check = of(body[self.first :])
        sent = check.to_bytes(size, "little" if self.low_first else "big")
        return body + sent + self.tail

    def number_taken(self, name: str, said: str) -> str:
        """The candidate that is the drawn one, as its operator knows from the manual; nothing if none is."""
        place = len(self.sync)
        for part in self.parts:
            if part == name:
                break
            place += self._size(part)
        size = self._size(name)
        last = place + size - 1
        # Zeros before it are the operator's no more than the program's to tell.
        where = f"to {last}," if self.order == "big" else f"bytes {place} to"
        said = said.rpartition(f"{name}: ")[2] if f"{name}: " in said else said
        listed = re.findall(r"^ +([0-9]+)  (.*)$", said, re.MULTILINE)
        mine = [number for number, text in listed if where in text and "times" in text]
        return mine[0] if len(mine) == 1 else ""

    def _size(self, part: str) -> int:
        if part == "zeros":
            return 2
        if part not in self.types:
            return 1
        return 4 if self.types[part] == "bcd" else _SIZES[self.types[part]]

    def _part(self, part: str, values: Mapping[str, float]) -> bytes:
        if part == "status":
            return b"\x11"
        if part == "counter":
            return bytes((self.count % 256,))
        if part == "zeros":
            return bytes(2)
        value, kind = values[part], self.types[part]
        if kind == "f32":
            data = struct.pack(">f", value)
        else:
            number = round(value * 10 ** self.decimals[part])
            if kind == "bcd":
                data = bytes.fromhex(f"{number:08d}")
            else:
                data = number.to_bytes(_SIZES[kind], "big", signed=kind[0] == "s")
        return data if self.order == "big" else data[::-1]


def drawn_frame(draw: random.Random, decimals: Mapping[str, int]) -> FrameDraw:
    """A frame that a maker may have thought of."""
    kind = draw.choice(_TYPES)
    sync = bytes.fromhex(draw.choice(_SYNCS))
    checksum = draw.choice(tuple(CHECKSUMS))
    if checksum == "none":
        sync = bytes.fromhex("55 AA")
    extras = draw.sample(("status", "counter", "zeros"), draw.randint(0, 2))
    parts = [*decimals, *extras]
    draw.shuffle(parts)
    return FrameDraw(
        sync=sync,
        types=dict.fromkeys(decimals, kind),
        decimals=decimals,
        order=draw.choice(("big", "big", "little")),
        parts=parts,
        checksum=checksum,
        first=draw.choice((0, 0, len(sync))),
        low_first=draw.random() < 0.5,
        tail=draw.choice((b"", b"", b"\r\n", b"\x55")),
    )
