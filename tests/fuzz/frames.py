"""Targets: binary frames of a fixed length, asked for or not, told by sync and checksum, by one of them, or by neither."""

from collections.abc import Callable, Iterator
from functools import partial

from daq.checksums import NAMED, CrcParameters, crc
from daq.protocols.fixed_frames import (
    DecimalPoint,
    FrameBits,
    FrameChecksum,
    FrameField,
    FrameLayout,
    PolledFrames,
    StreamedFrames,
)
from tests.fuzz.conversing import CHAR_S, INSTRUMENT, Fresh, Meter, talk_to
from tests.fuzz.judging import SILENCE_S, TIMEOUT_S, PollWitness, StreamWitness
from tests.fuzz.witnesses import (
    Values,
    crc8_of,
    crc_of_ccitt,
    figures_in,
    float_in,
)

MOST_SEARCHED = 512
"""What a poll of frames takes in before it gives up [byte]."""

_SYNC = b"\x55\xaa"
_CRC8 = FrameChecksum(crc(CrcParameters(8, 0x07)), byte=5, first=2, last=4)
_CHECKED_FRAME = FrameLayout(6, [FrameField("v", byte=2, type="u16")], _SYNC, _CRC8)
_PLAIN_FRAME = FrameLayout(5, [FrameField("v", byte=2, type="s24")], _SYNC)
_BARE_FRAME = FrameLayout(
    6,
    [
        FrameField("v", byte=0, type="f32", byte_order="DCBA"),
        FrameField("i", byte=4, type="s16", overrange=(b"\x7f\xff",)),
    ],
)
# Two digits a byte, the sign in the highest bit, digits behind the point in a byte of their own.
_DIGITS_FRAME = FrameLayout(
    8,
    [
        FrameField(
            "v",
            byte=2,
            type="bcd",
            size=2,
            sign=FrameBits(2, 0x80, 0x80),
            point=DecimalPoint(4, 0x0F),
            overrange_bits=FrameBits(5, 0x81, 0x01),
        )
    ],
    b"\x02",
    FrameChecksum(NAMED["crc16-ccitt"], byte=6, first=0, last=5, byte_order="BA"),
)


def value_in_checked(frame: bytes) -> Values | None:
    if frame[:2] != _SYNC or len(frame) != 6 or crc8_of(frame[2:5]) != frame[5]:
        return None
    return (float(frame[2] * 256 + frame[3]),)


def value_in_plain(frame: bytes) -> Values | None:
    if frame[:2] != _SYNC or len(frame) != 5:
        return None
    raw = frame[2] << 16 | frame[3] << 8 | frame[4]
    return (float(raw - (1 << 24) if raw >> 23 else raw),)


def values_in_bare(frame: bytes) -> Values | None:
    if len(frame) != 6:
        return None
    raw = frame[4] << 8 | frame[5]
    second = None if raw == 0x7FFF else float(raw - 0x10000 if raw >> 15 else raw)
    return float_in(frame[3::-1]), second


def is_sound_digits(frame: bytes) -> bool:
    """Whether it is a whole frame, readable or not."""
    return frame[:1] == b"\x02" and frame[6:8] == crc_of_ccitt(frame[:6]).to_bytes(
        2, "little"
    )


def value_in_digits(frame: bytes) -> Values | None:
    if not is_sound_digits(frame):
        return None
    if frame[5] & 1 and not frame[5] & 0x80:
        return (None,)
    text = f"{frame[2] & 0x7F:02x}{frame[3]:02x}"
    decimals = frame[4] & 0x0F
    if not text.isdecimal() or decimals > 9:
        return None
    sign = "-" if frame[2] & 0x80 else ""
    return figures_in([f"{sign}{text}E-{decimals}"])


def _places(heard: bytes, sync: bytes, begun: int, end: int) -> Iterator[int]:
    """Where a frame could begin: every place that has its first bytes, wherever the frame before may end."""
    place = heard.find(sync, begun)
    while 0 <= place < end:
        yield place
        place = heard.find(sync, place + 1)


def _cut_frames(
    heard: bytes, begun: int, *, sync: bytes, length: int
) -> tuple[list[bytes], int]:
    """All that could be a whole frame, overlapping or not."""
    end = max(begun, len(heard) - length + 1)
    places = _places(heard, sync, begun, end)
    return [heard[place : place + length] for place in places], end


def read_frame(
    heard: bytes,
    *,
    value_in: Callable[[bytes], Values | None],
    length: int,
    sync: bytes,
    may_search: bool,
    is_sound: Callable[[bytes], bool],
) -> Values | None:
    """The last bytes are the only frame; before it is nothing, or what sync and checksum tell from it."""
    if not may_search:
        return value_in(heard)
    if len(heard) > MOST_SEARCHED:
        return None
    places = _places(heard, sync, 0, len(heard) - length)
    is_alone = not any(is_sound(heard[place : place + length]) for place in places)
    return value_in(heard[-length:]) if is_alone else None


def seal_checked(body: bytes) -> bytes:
    contents = body[-3:].rjust(3, b"\0")
    return body[:-3] + _SYNC + contents + bytes((crc8_of(contents),))


def seal_plain(body: bytes) -> bytes:
    return body[:-3] + _SYNC + body[-3:].rjust(3, b"\0")


def seal_bare(body: bytes) -> bytes:
    return body[-6:].rjust(6, b"\0")


def seal_digits(body: bytes) -> bytes:
    covered = b"\x02" + body[-5:].rjust(5, b"\0")
    return body[:-5] + covered + crc_of_ccitt(covered).to_bytes(2, "little")


def _framed(
    layout: FrameLayout,
    value_in: Callable[[bytes], Values | None],
    seal: Callable[[bytes], bytes],
    *,
    is_streamed: bool,
) -> Meter:
    length, may_search = layout.length, layout.checksum is not None
    if is_streamed:
        return Meter(
            make=Fresh(
                StreamedFrames(
                    instrument=INSTRUMENT,
                    layout=layout,
                    silence_s=SILENCE_S,
                    char_s=CHAR_S,
                )
            ),
            witness=partial(
                StreamWitness,
                partial(_cut_frames, sync=layout.sync, length=length),
                value_in,
            ),
            seal=seal,
            most_kept=length + len(layout.sync),
            is_streamed=True,
        )
    return Meter(
        make=Fresh(
            PolledFrames(
                instrument=INSTRUMENT,
                request=b"\x05",
                layout=layout,
                reply_timeout_s=TIMEOUT_S,
                char_s=CHAR_S,
            ),
        ),
        witness=partial(
            PollWitness,
            partial(
                read_frame,
                value_in=value_in,
                length=length,
                sync=layout.sync,
                may_search=may_search,
                is_sound=is_sound_digits
                if value_in is value_in_digits
                else (lambda frame: value_in(frame) is not None),
            ),
        ),
        seal=seal,
        most_kept=MOST_SEARCHED,
        is_streamed=False,
    )


_POLLED_FRAMES = (
    _framed(_CHECKED_FRAME, value_in_checked, seal_checked, is_streamed=False),
    _framed(_PLAIN_FRAME, value_in_plain, seal_plain, is_streamed=False),
    _framed(_BARE_FRAME, values_in_bare, seal_bare, is_streamed=False),
    _framed(_DIGITS_FRAME, value_in_digits, seal_digits, is_streamed=False),
)
_STREAMED_FRAMES = (
    _framed(_CHECKED_FRAME, value_in_checked, seal_checked, is_streamed=True),
    _framed(_PLAIN_FRAME, value_in_plain, seal_plain, is_streamed=True),
    _framed(_DIGITS_FRAME, value_in_digits, seal_digits, is_streamed=True),
)


def polled_frames(script: bytes) -> None:
    """Frames of a fixed length that answer a question."""
    talk_to(_POLLED_FRAMES, script)


def streamed_frames(script: bytes) -> None:
    """Frames of a fixed length that nobody asked for."""
    talk_to(_STREAMED_FRAMES, script)
