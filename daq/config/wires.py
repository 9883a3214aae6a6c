"""How instruments talk, as a profile says it: one table [wire] for each protocol.

Which of a field's keys say where its value is to be found stands with the protocol. What these tables become is in
protocols.py.
"""

from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from daq.checksums import NAMED, Checksum, CrcParameters, crc
from daq.config.checked import Model, Positive

UNIT_MARK = "{unit"
"""What stands in a request or a reply's beginning for the address that the bench gives."""


def _hexadecimal(text: str) -> str:
    try:
        bytes.fromhex(text)
    except ValueError as exc:
        msg = f"got {text!r}, expected bytes in hexadecimal, such as 'AA 01'"
        raise ValueError(msg) from exc
    return text


HexBytes = Annotated[
    str,
    AfterValidator(_hexadecimal),
    Field(description="bytes in hexadecimal, such as 'AA 01'"),
]
FrameByte = Annotated[int, Field(ge=0, le=255)]
_Byte = Annotated[int, Field(ge=0, le=255)]
_Word = Annotated[int, Field(ge=0, le=0xFFFF)]


class LineSettings(Model):
    """Serial line as the instrument leaves the factory."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: Literal[1, 2] = 1


# ---- parts of a frame


class BitsModel(Model):
    """Bits of one byte of a frame that say something."""

    byte: FrameByte = Field(description="place in the frame, counted from 0")
    mask: Annotated[int, Field(ge=1, le=255)] = Field(
        255, description="bits that count, such as 0x80"
    )
    value: _Byte | None = Field(
        None, description="what these bits must be; all of them set if absent"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.value is not None and self.value & ~self.mask:
            msg = f"value 0x{self.value:02X} has bits outside of mask 0x{self.mask:02X}, expected none"
            raise ValueError(msg)
        return self


class PointModel(Model):
    """The byte of a frame that says how many digits stand behind the decimal point."""

    byte: FrameByte = Field(description="place in the frame, counted from 0")
    mask: Annotated[int, Field(ge=1, le=255)] = Field(
        15, description="bits of it that are that number"
    )


class FrameChecksumModel(Model):
    """The checksum of a frame."""

    kind: Literal[
        "sum8", "xor8", "lrc8", "crc8", "crc16", "crc16-modbus", "crc16-ccitt"
    ]
    byte: FrameByte | None = Field(
        None, description="place of its first byte; the end of the frame if absent"
    )
    first: FrameByte = Field(0, description="first byte that it covers")
    last: FrameByte | None = Field(
        None, description="last byte that it covers; the one before it if absent"
    )
    byte_order: Literal["AB", "BA"] = Field(
        "AB", description="AB high byte first, BA low byte first"
    )
    polynomial: _Word | None = Field(
        None, description="of crc8 and crc16, highest bit first, such as 0x07"
    )
    initial: _Word = 0
    reflected: bool = Field(default=False, description="lowest bit first, in and out")
    final_xor: _Word = 0

    @model_validator(mode="after")
    def _check(self) -> Self:
        self.checksum()
        return self

    def checksum(self) -> Checksum:
        """How it is computed.

        Raises:
            ValueError: If the parameters do not belong to the kind, or not together.
        """
        parameters = {"polynomial", "initial", "reflected", "final_xor"}
        if (named := NAMED.get(self.kind)) is not None:
            if given := sorted(parameters & self.model_fields_set):
                msg = f"{given[0]} for {self.kind}, expected it for crc8 and crc16 only"
                raise ValueError(msg)
            return named
        if self.polynomial is None:
            msg = f"polynomial missing for {self.kind}, expected a number such as 0x07"
            raise ValueError(msg)
        width = 8 if self.kind == "crc8" else 16
        return crc(
            CrcParameters(
                width,
                self.polynomial,
                initial=self.initial,
                reflected=self.reflected,
                final_xor=self.final_xor,
            )
        )


# ---- protocols


class ModbusRtuWire(Model):
    """Modbus RTU, functions 3 and 4."""

    needed_key: ClassVar[str] = "address"
    field_keys: ClassVar[tuple[str, ...]] = (
        "address",
        "function",
        "type",
        "byte_order",
    )
    is_streamed: ClassVar[bool] = False
    needs_unit: ClassVar[bool] = True

    protocol: Literal["modbus-rtu"]
    reply_timeout_s: Positive = Field(
        0.3, description="wait this long for a reply to begin [s]"
    )
    worst_reply_s: Positive = Field(
        0.5, description="the instrument's worst reply time [s]"
    )


class ModbusAsciiWire(Model):
    """Modbus ASCII, functions 3 and 4."""

    needed_key: ClassVar[str] = "address"
    field_keys: ClassVar[tuple[str, ...]] = (
        "address",
        "function",
        "type",
        "byte_order",
    )
    is_streamed: ClassVar[bool] = False
    needs_unit: ClassVar[bool] = True

    protocol: Literal["modbus-ascii"]
    reply_timeout_s: Positive = Field(
        0.5, description="wait this long for a reply to begin [s]"
    )
    worst_reply_s: Positive = Field(
        1.0, description="the instrument's worst reply time [s]"
    )


LineChecksumKind = Literal["xor8", "sum8", "lrc8", "crc16-modbus", "crc16-ccitt"]


class QueryLinesWire(Model):
    """A text is sent, one line of numbers comes back."""

    needed_key: ClassVar[str] = "position"
    field_keys: ClassVar[tuple[str, ...]] = ("position",)
    is_streamed: ClassVar[bool] = False

    protocol: Literal["query-lines"]
    request: str = Field(
        min_length=1,
        description="what is sent, with its line end; {unit} is the address, {checksum} its checksum",
    )
    parts: Annotated[int, Field(ge=1, le=200)] = Field(
        description="how many numbers the reply must have"
    )
    terminator: str = Field("\n", min_length=1)
    separator: str = Field(",", min_length=1, max_length=1)
    echo: bool = Field(
        default=False, description="the instrument repeats the request before its reply"
    )
    reply_start: str = Field(
        "",
        description="what the reply must begin with, before its numbers; {unit} is the address",
    )
    checksum: LineChecksumKind | None = Field(
        None, description="at the end of the reply, in hexadecimal digits"
    )
    checksum_separator: str = Field(
        "*", max_length=8, description="between what the checksum covers and its digits"
    )
    checksum_start: str = Field(
        "", max_length=8, description="what a line begins with that is not covered"
    )
    reply_timeout_s: Positive = 0.5
    worst_reply_s: Positive = 1.0

    @property
    def needs_unit(self) -> bool:
        """Whether the bench must say which of several meters on the line is meant."""
        return UNIT_MARK in self.request

    @model_validator(mode="after")
    def _check(self) -> Self:
        if UNIT_MARK in self.reply_start and not self.needs_unit:
            msg = "reply_start has {unit} and request has none, expected it in both"
            raise ValueError(msg)
        if "{checksum}" in self.request and self.checksum is None:
            msg = "request has {checksum}, expected checksum = its kind as well"
            raise ValueError(msg)
        return self


class StreamedLinesWire(Model):
    """The instrument talks by itself."""

    needed_key: ClassVar[str] = ""
    field_keys: ClassVar[tuple[str, ...]] = ()
    is_streamed: ClassVar[bool] = True
    needs_unit: ClassVar[bool] = False

    protocol: Literal["streamed-lines"]
    pattern: str = Field(
        min_length=1,
        description="regular expression of a whole line, one named group a field",
    )
    terminator: str = Field("\n", min_length=1)
    overrange: tuple[str, ...] = Field(
        (), strict=False, description="texts that stand for overrange"
    )
    checksum: LineChecksumKind | None = Field(
        None,
        description="at the end of a line, in hexadecimal digits; no part of the pattern",
    )
    checksum_separator: str = Field(
        "*", max_length=8, description="between what the checksum covers and its digits"
    )
    checksum_start: str = Field(
        "", max_length=8, description="what a line begins with that is not covered"
    )
    silence_s: Positive | None = Field(
        None, description="silent for so long is a gap [s]; four intervals if absent"
    )


class FixedFramesWire(Model):
    """Binary frames of a fixed length, sent unasked or on a request."""

    needed_key: ClassVar[str] = "byte"
    field_keys: ClassVar[tuple[str, ...]] = (
        *("byte", "type", "bytes", "byte_order"),
        *("sign", "point", "overrange", "overrange_bits"),
    )
    needs_unit: ClassVar[bool] = False

    protocol: Literal["fixed-frames"]
    request: HexBytes | None = Field(
        None,
        description="bytes that ask for a frame; the meter talks by itself if absent",
    )
    sync: HexBytes = Field("", description="bytes that every frame begins with")
    length: Annotated[int, Field(ge=1, le=256)] = Field(
        description="of a frame, sync and checksum included [byte]"
    )
    checksum: FrameChecksumModel | None = None
    reply_timeout_s: Positive = 0.5
    worst_reply_s: Positive = 1.0
    silence_s: Positive | None = Field(
        None, description="silent for so long is a gap [s]; four intervals if absent"
    )

    @property
    def is_streamed(self) -> bool:
        """Whether the instrument talks by itself."""
        return self.request is None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.request is not None and not bytes.fromhex(self.request):
            msg = "request is empty, expected bytes, or no such key where the meter talks by itself"
            raise ValueError(msg)
        return self


WireModel = Annotated[
    ModbusRtuWire
    | ModbusAsciiWire
    | QueryLinesWire
    | StreamedLinesWire
    | FixedFramesWire,
    Field(discriminator="protocol"),
]
PROTOCOLS = (
    "fixed-frames",
    "modbus-ascii",
    "modbus-rtu",
    "query-lines",
    "streamed-lines",
)
PLACING_KEYS = frozenset(
    (*FixedFramesWire.field_keys, *ModbusRtuWire.field_keys, "position")
)
"""A field's keys that say where its value is to be found."""
