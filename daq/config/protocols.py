"""What a profile says of an instrument's wire, made into a conversation with it."""

import re
from collections.abc import Sequence
from typing import cast

from daq.checksums import NAMED, LineChecksum
from daq.config.models import FieldModel, Profile
from daq.config.wires import (
    BitsModel,
    FixedFramesWire,
    FrameChecksumModel,
    ModbusAsciiWire,
    ModbusRtuWire,
    QueryLinesWire,
    StreamedLinesWire,
)
from daq.protocols import WireProtocol
from daq.protocols.fixed_frames import (
    DecimalPoint,
    FrameBits,
    FrameChecksum,
    FrameField,
    FrameLayout,
    PolledFrames,
    StreamedFrames,
)
from daq.protocols.fixed_frames.layout import FrameByteOrder
from daq.protocols.modbus import ModbusAscii, ModbusRtu, RegisterField
from daq.protocols.modbus.registers import Kind
from daq.protocols.query_lines import LineField, QueryLines
from daq.protocols.streamed_lines import StreamedLines, StreamField

_UNIT = re.compile(r"\{unit(?::0?([1-4])([dX]?))?\}")
_CHECKSUM = "{checksum}"


def make_protocol(
    profile: Profile, *, instrument: str, unit: int, char_s: float, silence_s: float
) -> WireProtocol:
    """A fresh conversation with an instrument.

    Args:
        profile: How it talks.
        instrument: Its name on the bench.
        unit: Its address on the line; of no account where it has none.
        char_s: Time of one character on the line [s].
        silence_s: After how long a meter that talks by itself counts as silent [s].

    Raises:
        ValueError: If the protocol cannot use what the profile says.
    """
    wire, fields = profile.wire, profile.field
    match wire:
        case ModbusRtuWire() | ModbusAsciiWire():
            kind = ModbusRtu if isinstance(wire, ModbusRtuWire) else ModbusAscii
            return kind(
                instrument=instrument,
                unit=unit,
                fields=[_register_field(field) for field in fields],
                reply_timeout_s=wire.reply_timeout_s,
                char_s=char_s,
            )
        case QueryLinesWire():
            return _query_lines(wire, fields, instrument, unit, char_s)
        case StreamedLinesWire():
            return _streamed_lines(wire, fields, instrument, char_s, silence_s)
        case FixedFramesWire():
            return _fixed_frames(wire, fields, instrument, char_s, silence_s)


def _register_field(model: FieldModel) -> RegisterField:
    return RegisterField(
        name=model.name,
        function=model.function,
        address=model.address or 0,
        # Types that registers do not have are refused there, by name.
        kind=cast("Kind", model.type),
        byte_order=model.byte_order,
        scale=model.scale,
        offset=model.offset,
        low=model.low,
        high=model.high,
    )


def _query_lines(
    wire: QueryLinesWire,
    fields: Sequence[FieldModel],
    instrument: str,
    unit: int,
    char_s: float,
) -> QueryLines:
    checksum = _line_checksum(wire)
    return QueryLines(
        instrument=instrument,
        request=_request(wire.request, unit, checksum),
        terminator=wire.terminator.encode("latin-1"),
        separator=wire.separator,
        expected_count=wire.parts,
        echo=wire.echo,
        fields=[
            LineField(
                field.name,
                field.position or 0,
                scale=field.scale,
                offset=field.offset,
                low=field.low,
                high=field.high,
            )
            for field in fields
        ],
        reply_timeout_s=wire.reply_timeout_s,
        char_s=char_s,
        checksum=checksum,
        reply_start=addressed(wire.reply_start, unit),
    )


def _streamed_lines(
    wire: StreamedLinesWire,
    fields: Sequence[FieldModel],
    instrument: str,
    char_s: float,
    silence_s: float,
) -> StreamedLines:
    return StreamedLines(
        instrument=instrument,
        pattern=wire.pattern,
        terminator=wire.terminator.encode("latin-1"),
        overrange=frozenset(wire.overrange),
        fields=[
            StreamField(
                field.name,
                scale=field.scale,
                offset=field.offset,
                low=field.low,
                high=field.high,
            )
            for field in fields
        ],
        silence_s=silence_s,
        char_s=char_s,
        checksum=_line_checksum(wire),
    )


def _line_checksum(wire: QueryLinesWire | StreamedLinesWire) -> LineChecksum | None:
    if wire.checksum is None:
        return None
    return LineChecksum(
        NAMED[wire.checksum],
        wire.checksum_start.encode("latin-1"),
        wire.checksum_separator.encode("latin-1"),
    )


def addressed(text: str, unit: int) -> str:
    """The text with the unit's address in it: {unit} as it is, {unit:02} two digits, {unit:02X} hexadecimal."""

    def digits(match: re.Match[str]) -> str:
        width, form = int(match[1] or 1), match[2] or "d"
        return f"{unit:0{width}{form}}"

    return _UNIT.sub(digits, text)


def _request(text: str, unit: int, checksum: LineChecksum | None) -> bytes:
    """The request as it goes onto the wire."""
    request = addressed(text, unit)
    if "{unit" in request:
        msg = f"request {text!r}, expected the address as {{unit}}, {{unit:02}} or {{unit:02X}}"
        raise ValueError(msg)
    before, mark, behind = request.encode("latin-1").partition(_CHECKSUM.encode())
    if not mark or checksum is None:
        return request.encode("latin-1")
    covered = before.removeprefix(checksum.start).removesuffix(checksum.separator)
    return before + checksum.digits_of(covered) + behind


def _fixed_frames(
    wire: FixedFramesWire,
    fields: Sequence[FieldModel],
    instrument: str,
    char_s: float,
    silence_s: float,
) -> StreamedFrames | PolledFrames:
    layout = FrameLayout(
        length=wire.length,
        sync=bytes.fromhex(wire.sync),
        fields=[_frame_field(field) for field in fields],
        checksum=_frame_checksum(wire.checksum, wire.length),
    )
    if wire.request is None:
        return StreamedFrames(
            instrument=instrument, layout=layout, silence_s=silence_s, char_s=char_s
        )
    return PolledFrames(
        instrument=instrument,
        request=bytes.fromhex(wire.request),
        layout=layout,
        reply_timeout_s=wire.reply_timeout_s,
        char_s=char_s,
    )


def _frame_field(model: FieldModel) -> FrameField:
    point = model.point
    return FrameField(
        name=model.name,
        byte=model.byte or 0,
        type=model.type,
        size=model.bytes or 0,
        # Orders that frames do not have are refused there, by name.
        byte_order=cast("FrameByteOrder", model.byte_order),
        sign=_frame_bits(model.sign),
        point=None if point is None else DecimalPoint(point.byte, point.mask),
        overrange=tuple(bytes.fromhex(text) for text in model.overrange),
        overrange_bits=_frame_bits(model.overrange_bits),
        scale=model.scale,
        offset=model.offset,
        low=model.low,
        high=model.high,
    )


def _frame_bits(model: BitsModel | None) -> FrameBits | None:
    if model is None:
        return None
    value = model.mask if model.value is None else model.value
    return FrameBits(model.byte, model.mask, value)


def _frame_checksum(
    model: FrameChecksumModel | None, length: int
) -> FrameChecksum | None:
    if model is None:
        return None
    checksum = model.checksum()
    byte = length - checksum.size if model.byte is None else model.byte
    last = byte - 1 if model.last is None else model.last
    return FrameChecksum(checksum, byte, model.first, last, model.byte_order)
