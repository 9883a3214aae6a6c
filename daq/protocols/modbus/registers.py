"""Where values lie in a meter's registers, and how they are packed there.

Knows no request, no reply and no time. Modbus defines nothing above a 16-bit register,
sent high byte first; how a 32-bit value is spread over two of them is the maker's
choice, and all four ways are in use. With the bytes of a value named A (highest) to D,
ABCD is the plain way, CDAB has the registers exchanged, BADC the bytes inside each
register, DCBA both.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from daq.protocols import ReportedField

Kind = Literal["u16", "s16", "u32", "s32", "f32"]
ByteOrder = Literal["AB", "BA", "ABCD", "CDAB", "BADC", "DCBA"]

MAX_REGISTERS = 125
"""Most registers in one request (Modbus Application Protocol V1.1b3, 6.3 and 6.4)."""

_CODES = {"u16": "H", "s16": "h", "u32": "I", "s32": "i", "f32": "f"}
_ADDRESSES = 65536


@dataclass(frozen=True, slots=True)
class _Packing:
    """How to read a byte order without moving registers about.

    CDAB with the bytes of each register exchanged is DCBA, which `struct` calls
    little-endian; BADC so treated is ABCD. Hence no value changes its place.
    """

    exchanged: bool
    endian: str


_PLAIN = _Packing(exchanged=False, endian=">")
_REVERSED = _Packing(exchanged=False, endian="<")
_WIDE = {
    "ABCD": _PLAIN,
    "CDAB": _Packing(exchanged=True, endian="<"),
    "BADC": _Packing(exchanged=True, endian=">"),
    "DCBA": _REVERSED,
}
# A single register has only its two bytes to exchange; CDAB leaves them as they are.
_NARROW = {
    "AB": _PLAIN,
    "ABCD": _PLAIN,
    "CDAB": _PLAIN,
    "BA": _REVERSED,
    "BADC": _REVERSED,
    "DCBA": _REVERSED,
}


@dataclass(frozen=True, slots=True)
class RegisterField(ReportedField):
    """One value in one or two registers.

    Attributes:
        function: 3 (holding registers) or 4 (input registers).
        address: Of the first register, zero-based as on the wire: the register that a
            manual numbers 40108 is function 3, address 107.
        kind: Width and sign, or f32 for IEEE 754 binary32.
        byte_order: Of a 32-bit value; a 16-bit one knows only AB and BA.
    """

    function: int
    address: int
    kind: Kind
    byte_order: ByteOrder = "ABCD"

    def __post_init__(self) -> None:
        """Refuse what no request can ask for."""
        # A class with slots is made twice, and super() would mean the first one.
        ReportedField.__post_init__(self)
        if self.function not in (3, 4):
            msg = f"{self.name}: function {self.function}, expected 3 or 4"
            raise ValueError(msg)
        if self.kind not in _CODES:
            msg = (
                f"{self.name}: kind {self.kind!r}, expected one of {', '.join(_CODES)}"
            )
            raise ValueError(msg)
        orders = _WIDE if self.size == 2 else _NARROW
        if self.byte_order not in orders:
            msg = f"{self.name}: byte order {self.byte_order!r}, expected one of {', '.join(orders)}"
            raise ValueError(msg)
        if not 0 <= self.address <= _ADDRESSES - self.size:
            msg = f"{self.name}: address {self.address}, expected 0 to {_ADDRESSES - self.size}"
            raise ValueError(msg)

    @property
    def size(self) -> int:
        """How many registers the value fills [1]."""
        return 1 if self.kind in ("u16", "s16") else 2

    @property
    def end(self) -> int:
        """Address after its last register."""
        return self.address + self.size


@dataclass(frozen=True, slots=True)
class Block:
    """Contiguous registers that one request reads.

    Attributes:
        function: 3 or 4.
        address: Of the first register, zero-based.
        count: [1] registers, 1 to 125.
        indices: Which of the planned fields lie in it, by address.
    """

    function: int
    address: int
    count: int
    indices: tuple[int, ...]


def plan_blocks(
    fields: Sequence[RegisterField],
    *,
    max_registers: int = MAX_REGISTERS,
    max_gap: int = 0,
) -> tuple[Block, ...]:
    """Read the fields in as few requests as the registers allow.

    Args:
        fields: In any order; they may overlap.
        max_registers: Most registers that the meter gives in one reply.
        max_gap: How many unasked registers between two fields may be read along; many
            meters refuse a request that touches a register they do not have.

    Raises:
        ValueError: If a limit is out of range, or a field is longer than a request.
    """
    if not 1 <= max_registers <= MAX_REGISTERS or max_gap < 0:
        msg = f"{max_registers} registers a request, gap {max_gap}, expected 1 to {MAX_REGISTERS}, gap 0 or more"
        raise ValueError(msg)
    for field in fields:
        if field.size > max_registers:
            msg = f"{field.name}: {field.size} registers, expected {max_registers} at most"
            raise ValueError(msg)
    by_address = sorted(
        range(len(fields)),
        key=lambda i: (fields[i].function, fields[i].address, fields[i].size),
    )
    blocks: list[Block] = []
    for index in by_address:
        field = fields[index]
        last = blocks[-1] if blocks else None
        longer = _extended(last, field, index, max_gap) if last else None
        if longer and longer.count <= max_registers:
            blocks[-1] = longer
        else:
            blocks.append(Block(field.function, field.address, field.size, (index,)))
    return tuple(blocks)


def _extended(
    block: Block, field: RegisterField, index: int, max_gap: int
) -> Block | None:
    """The block with one more field; None if the field does not border on it."""
    end = block.address + block.count
    if field.function != block.function or field.address > end + max_gap:
        return None
    count = max(end, field.end) - block.address
    return Block(block.function, block.address, count, (*block.indices, index))


@dataclass(frozen=True, slots=True)
class Unpacking:
    """Takes some fields of one packing out of a block's bytes."""

    exchanged: bool
    layout: struct.Struct
    indices: tuple[int, ...]

    def raws(self, data: bytes) -> tuple[float, ...]:
        """Raw numbers of the fields, in the order of `indices`."""
        return self.layout.unpack_from(_exchanged(data) if self.exchanged else data)


def _exchanged(data: bytes) -> bytes:
    """The same registers, each with its two bytes exchanged."""
    result = bytearray(len(data))
    result[0::2] = data[1::2]
    result[1::2] = data[0::2]
    return bytes(result)


def plan_unpacking(
    block: Block, fields: Sequence[RegisterField]
) -> tuple[Unpacking, ...]:
    """Precompile how the fields of a block are taken out of its bytes.

    One `struct.Struct` for each packing; fields that overlap get one each in turn.
    """
    waiting = list(block.indices)
    plans: list[Unpacking] = []
    while waiting:
        packing = _packing_of(fields[waiting[0]])
        parts, end, taken = "", block.address, list[int]()
        for index in waiting:
            field = fields[index]
            if _packing_of(field) == packing and field.address >= end:
                parts += f"{2 * (field.address - end)}x{_CODES[field.kind]}"
                end = field.end
                taken.append(index)
        layout = struct.Struct(packing.endian + parts)
        plans.append(Unpacking(packing.exchanged, layout, tuple(taken)))
        waiting = [index for index in waiting if index not in taken]
    return tuple(plans)


def _packing_of(field: RegisterField) -> _Packing:
    """How the bytes of this field lie."""
    return (_WIDE if field.size == 2 else _NARROW)[field.byte_order]
