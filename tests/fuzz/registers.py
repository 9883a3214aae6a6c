"""Targets: Modbus in both framings, each with a meter of one block of registers and one of two."""

import re
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from daq.protocols.modbus import ModbusAscii, ModbusRtu, RegisterField
from daq.records import Gap, GapReason, Reading
from tests.fuzz.conversing import CHAR_S, INSTRUMENT, Fresh, Meter, talk_to
from tests.fuzz.judging import (
    TIMEOUT_S,
    check_against,
)
from tests.fuzz.witnesses import (
    crc_of_modbus,
    float_in,
    lrc_of,
)


@dataclass(frozen=True)
class Register:
    """One field, as the witness understands it: `places` are its bytes from the highest to the lowest."""

    function: int
    address: int
    code: str
    places: tuple[int, ...]
    low: float | None = None
    high: float | None = None

    def value_in(self, registers: dict[tuple[int, int], bytes]) -> float | None:
        """By hand."""
        words = range(self.address, self.address + len(self.places) // 2)
        raw = b"".join(registers[self.function, word] for word in words)
        ordered = bytes(raw[place] for place in self.places)
        if self.code == "f":
            return float_in(ordered)
        (number,) = struct.unpack(f">{self.code}", ordered)
        return float(number)


class ModbusWitness:
    """Collects registers of sound replies, each to the request that went out before it."""

    def __init__(
        self,
        read: Callable[[bytes, bytes], bytes | None],
        body_of: Callable[[bytes], bytes],
        fields: Sequence[Register],
    ) -> None:
        self._read = read
        self._body_of = body_of
        self._fields = fields
        self._ranges = tuple((field.low, field.high) for field in fields)
        self._registers: dict[tuple[int, int], bytes] = {}
        self._asked = b""
        self._heard = b""

    def asked(self, request: bytes) -> None:
        body = self._body_of(request)
        first = min(self._fields, key=lambda f: (f.function, f.address))
        if (body[1], int.from_bytes(body[2:4], "big")) == (
            first.function,
            first.address,
        ):
            self._registers = {}
        self._asked, self._heard = body, b""

    def heard(self, data: bytes) -> None:
        self._heard += data

    def accepted(self) -> None:
        data = self._sound_data()
        assert data is not None, f"taken for a reply: {self._heard!r}"
        self._keep(data)

    def judge(self, outcome: Reading | Gap) -> None:
        data = self._sound_data()
        if data is None:
            assert isinstance(outcome, Gap), f"a reading of rubbish: {self._heard!r}"
            assert outcome.reason is not GapReason.IMPLAUSIBLE
            return
        self._keep(data)
        known = [f for f in self._fields if (f.function, f.address) in self._registers]
        values = tuple(field.value_in(self._registers) for field in known)
        ranges = tuple((field.low, field.high) for field in known)
        if isinstance(outcome, Reading):
            assert len(known) == len(self._fields)
        check_against(outcome, values, ranges, self._heard)

    def _sound_data(self) -> bytes | None:
        return self._read(self._asked, self._heard)

    def _keep(self, data: bytes) -> None:
        function = self._asked[1]
        address = int.from_bytes(self._asked[2:4], "big")
        for index in range(len(data) // 2):
            word = data[2 * index : 2 * index + 2]
            self._registers[function, address + index] = word


def data_of_reply(asked: bytes, body: bytes) -> bytes | None:
    """Registers of a sound body that answers this request (Modbus Application Protocol V1.1b3, 6.3 and 6.4)."""
    size = 2 * int.from_bytes(asked[4:6], "big")
    is_answer = body[:2] == asked[:2] and body[2:3] == bytes((size,))
    return body[3:] if is_answer and len(body) == 3 + size else None


def read_rtu(asked: bytes, heard: bytes) -> bytes | None:
    """Nothing but one frame."""
    if len(heard) < 5 or crc_of_modbus(heard[:-2]) != heard[-2:]:
        return None
    return data_of_reply(asked, heard[:-2])


_ASCII_FRAME = re.compile(rb"[^:]*:((?:[0-9A-Fa-f]{2})+)\r\n")


def read_ascii(asked: bytes, heard: bytes) -> bytes | None:
    """One frame and nothing behind it; what stands before the colon is passed over (V1.02, 2.5.2)."""
    match = _ASCII_FRAME.fullmatch(heard)
    spelt = bytes.fromhex(match[1].decode()) if match else b""
    if len(spelt) < 4 or lrc_of(spelt[:-1]) != spelt[-1]:
        return None
    return data_of_reply(asked, spelt[:-1])


def seal_rtu(body: bytes) -> bytes:
    return body + crc_of_modbus(body)


def seal_ascii(body: bytes) -> bytes:
    spelt = body + bytes((lrc_of(body),))
    return b":" + spelt.hex().upper().encode() + b"\r\n"


_ONE_BLOCK = (
    RegisterField("v", function=3, address=107, kind="u16", high=1000.0),
    RegisterField("i", function=3, address=108, kind="s16"),
    RegisterField("p", function=3, address=109, kind="u16", byte_order="BA"),
)
_ONE_BLOCK_SEEN = (
    Register(3, 107, "H", (0, 1), high=1000.0),
    Register(3, 108, "h", (0, 1)),
    Register(3, 109, "H", (1, 0)),
)
_TWO_BLOCKS = (
    RegisterField("v", function=4, address=0, kind="f32", byte_order="CDAB"),
    RegisterField("i", function=4, address=2, kind="s32", byte_order="BADC"),
    RegisterField("w", function=3, address=8, kind="u32", byte_order="DCBA", low=0.0),
    RegisterField("f", function=3, address=10, kind="f32", low=-1.0, high=1.0),
)
_TWO_BLOCKS_SEEN = (
    Register(4, 0, "f", (2, 3, 0, 1)),
    Register(4, 2, "i", (1, 0, 3, 2)),
    Register(3, 8, "I", (3, 2, 1, 0), low=0.0),
    Register(3, 10, "f", (0, 1, 2, 3), low=-1.0, high=1.0),
)


def _modbus(
    kind: type[ModbusRtu] | type[ModbusAscii],
    unit: int,
    fields: Sequence[RegisterField],
    seen: Sequence[Register],
) -> Meter:
    is_rtu = kind is ModbusRtu
    return Meter(
        make=Fresh(
            kind(
                instrument=INSTRUMENT,
                unit=unit,
                fields=fields,
                reply_timeout_s=TIMEOUT_S,
                char_s=CHAR_S,
            ),
        ),
        witness=partial(
            ModbusWitness,
            read_rtu if is_rtu else read_ascii,
            (lambda frame: frame[:-2])
            if is_rtu
            else (lambda frame: bytes.fromhex(frame[1:-4].decode())),
            seen,
        ),
        seal=seal_rtu if is_rtu else seal_ascii,
        most_kept=256 if is_rtu else 513,
        is_streamed=False,
    )


_RTU = (
    _modbus(ModbusRtu, 1, _ONE_BLOCK, _ONE_BLOCK_SEEN),
    _modbus(ModbusRtu, 17, _TWO_BLOCKS, _TWO_BLOCKS_SEEN),
)
_ASCII = (
    _modbus(ModbusAscii, 1, _ONE_BLOCK, _ONE_BLOCK_SEEN),
    _modbus(ModbusAscii, 17, _TWO_BLOCKS, _TWO_BLOCKS_SEEN),
)


def modbus_rtu(script: bytes) -> None:
    """Replies in binary frames."""
    talk_to(_RTU, script)


def modbus_ascii(script: bytes) -> None:
    """Replies in lines of hexadecimal digits."""
    talk_to(_ASCII, script)
