"""Frames of a fixed length that come unasked: which are found, and what is told of the rest."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.protocols.fixed_frames import FrameField, FrameLayout, StreamedFrames
from daq.protocols.fixed_frames.streamed import MAX_WAITING
from daq.records import Gap, GapReason, Reading, unusable_bit
from tests.core.protocols.frames_made import (
    CHAR_S,
    CHECKED,
    CRC8,
    OTHER_PARTY,
    PLAIN,
    STEADY,
    SYNC,
    checked,
    plain,
)


def streaming(
    layout: FrameLayout = CHECKED, *, silence_s: float = 2.0
) -> StreamedFrames:
    protocol = StreamedFrames(
        instrument="clamp", layout=layout, silence_s=silence_s, char_s=CHAR_S
    )
    protocol.query(0.0)
    return protocol


def heard(protocol: StreamedFrames) -> list[Reading | Gap]:
    outcomes = []
    while (outcome := protocol.next_reading()) is not None:
        outcomes.append(outcome)
    return outcomes


def fed(
    protocol: StreamedFrames, *chunks: bytes, pause_s: float = 0.0, start_s: float = 1.0
) -> list[Reading | Gap]:
    """Chunks that follow each other on the wire, each after a pause."""
    at = start_s
    for chunk in chunks:
        at += pause_s + len(chunk) * CHAR_S
        protocol.feed(chunk, at)
    return heard(protocol)


def values(outcomes: list[Reading | Gap]) -> list[float | None]:
    return [o.values[0] for o in outcomes if isinstance(o, Reading)]


def gaps(outcomes: list[Reading | Gap]) -> list[Gap]:
    return [o for o in outcomes if isinstance(o, Gap)]


def test_a_frame_is_a_reading_at_the_time_when_it_began() -> None:
    outcomes = fed(streaming(), checked(1234))
    assert values(outcomes) == [1234.0]
    assert outcomes[0].at_s == pytest.approx(1.0, abs=1e-12)


@STEADY
@given(
    numbers=st.lists(st.integers(0, 65535), min_size=1, max_size=8),
    cuts=st.lists(st.integers(0, 48), max_size=12),
)
def test_frames_with_a_checksum_are_read_however_they_are_cut(
    numbers: list[int], cuts: list[int]
) -> None:
    stream = b"".join(checked(number) for number in numbers)
    edges = sorted({0, len(stream), *(cut for cut in cuts if cut < len(stream))})
    outcomes = fed(streaming(), *(stream[a:b] for a, b in pairwise(edges)))
    assert values(outcomes) == numbers
    assert gaps(outcomes) == []
    # Each begins where the one before it ended, six characters on.
    for place, outcome in enumerate(outcomes):
        assert outcome.at_s == pytest.approx(1.0 + 6 * place * CHAR_S, abs=1e-9)


@STEADY
@given(
    rubbish=st.binary(min_size=1, max_size=20),
    numbers=st.lists(st.integers(0, 65535), min_size=4, max_size=6),
)
def test_rubbish_between_frames_costs_no_frame_and_is_one_gap(
    rubbish: bytes, numbers: list[int]
) -> None:
    stream = checked(7) + rubbish + b"".join(checked(number) for number in numbers)
    outcomes = fed(streaming(), stream)
    # By chance rubbish may hold the beginning of a frame, or a frame: then the first number is what it costs.
    assert values(outcomes)[-len(numbers) + 1 :] == numbers[1:]
    if SYNC not in rubbish + SYNC[:1] and not rubbish.endswith(SYNC[:1]):
        assert values(outcomes) == [7, *numbers]
        assert [gap.reason for gap in gaps(outcomes)] == [GapReason.GARBLED]


def test_a_sync_inside_the_data_costs_no_frame() -> None:
    # Every frame holds the sync bytes as its value.
    number = int.from_bytes(SYNC, "big")
    stream = b"".join(checked(number, more) for more in range(5))
    assert values(fed(streaming(), stream[3:])) == [number] * 4
    assert values(fed(streaming(), stream)) == [number] * 5


def test_a_lost_byte_costs_the_frame_that_it_was_in() -> None:
    for lost in range(6, 12):
        stream = bytearray(checked(1) + checked(2) + checked(3) + checked(4))
        del stream[lost]
        outcomes = fed(streaming(), bytes(stream))
        assert values(outcomes) == [1, 3, 4]
        assert len(gaps(outcomes)) == 1


@pytest.mark.parametrize("bit", range(8 * 6))
def test_a_flipped_bit_costs_its_frame_and_gives_no_other_value(bit: int) -> None:
    spoiled = bytearray(checked(500))
    spoiled[bit // 8] ^= 1 << bit % 8
    outcomes = fed(streaming(), checked(1) + bytes(spoiled) + checked(2))
    assert values(outcomes) == [1, 2]
    (gap,) = gaps(outcomes)
    assert gap.reason is GapReason.GARBLED


def test_a_wrong_checksum_is_told_with_the_right_one() -> None:
    frame = checked(500)
    right = frame[-1]
    spoiled = frame[:-1] + bytes((right ^ 0xFF,))
    (gap,) = gaps(fed(streaming(), checked(1) + spoiled + checked(2)))
    said = f"checksum 0x{right ^ 0xFF:02X}, expected 0x{right:02X} in "
    assert gap.detail.startswith(said)


def test_half_a_frame_at_the_start_is_no_gap() -> None:
    for cut in range(1, 6):
        outcomes = fed(streaming(), checked(9)[cut:] + checked(2) + checked(3))
        assert values(outcomes) == [2, 3]
        assert gaps(outcomes) == []


def test_without_a_checksum_the_next_frame_bears_witness_at_the_start() -> None:
    stream = plain(1)[3:] + plain(2) + plain(3) + plain(4)
    outcomes = fed(streaming(PLAIN), stream)
    # Once in step each frame counts at once.
    assert values(outcomes) == [2, 3, 4]
    assert gaps(outcomes) == []


def test_without_a_checksum_a_sync_in_the_data_does_not_mislead() -> None:
    number = int.from_bytes(SYNC, "big")
    stream = plain(0)[2:] + b"".join(plain(number, more) for more in range(3))
    assert values(fed(streaming(PLAIN), stream))[-2:] == [number, number]
    paused = [plain(number, more) for more in range(4)]
    outcomes = fed(streaming(PLAIN), plain(0)[1:], *paused, pause_s=0.4)
    assert values(outcomes) == [number] * 4
    assert gaps(outcomes) == []


def test_a_pause_ends_what_was_cut_short() -> None:
    frames = [checked(1), checked(2)[:4], checked(3), checked(4)]
    outcomes = fed(streaming(), *frames, pause_s=0.4)
    assert values(outcomes) == [1, 3, 4]
    (gap,) = gaps(outcomes)
    assert gap.detail == f"frame cut short by a pause: {checked(2)[:4]!r}"
    outcomes = fed(
        streaming(PLAIN), plain(0), plain(1), plain(2)[:4], plain(3), pause_s=0.4
    )
    assert values(outcomes) == [1, 3]


def test_the_beginning_of_a_long_sync_is_not_lost_between_chunks() -> None:
    sync = b"\x01\x02\x03"
    layout = FrameLayout(5, [FrameField("v", byte=3, type="u16")], sync)
    stream = b"\x09\x09" + sync + b"\x00\x05" + sync + b"\x00\x06" + sync
    for cut in range(1, len(stream)):
        assert values(fed(streaming(layout), stream[:cut], stream[cut:])) == [5, 6]


def test_a_value_out_of_range_is_none_and_flagged() -> None:
    layout = FrameLayout(
        5,
        [
            FrameField("v", byte=2, type="u16", overrange=(b"\xff\xff",)),
            FrameField("w", byte=4, type="u8", scale=0.1, offset=-1.0),
        ],
        SYNC,
    )
    (outcome,) = fed(streaming(layout), plain(0xFFFF, 30) + SYNC)
    assert isinstance(outcome, Reading)
    assert outcome.values == (None, 2.0)
    assert outcome.flags == unusable_bit(0)


def test_a_value_that_cannot_be_true_is_a_gap() -> None:
    layout = FrameLayout(
        6, [FrameField("v", byte=2, type="u16", high=100.0)], SYNC, CRC8
    )
    (gap,) = fed(streaming(layout), checked(101))
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.IMPLAUSIBLE


def test_a_sound_frame_with_no_number_in_it_is_a_gap() -> None:
    layout = FrameLayout(6, [FrameField("v", byte=2, type="bcd", size=2)], SYNC, CRC8)
    gap, reading = fed(streaming(layout), checked(0x12AB) + checked(0x1234))
    assert isinstance(gap, Gap)
    assert gap.detail.startswith("v '12 AB', expected two decimal digits a byte in b'U")
    assert isinstance(reading, Reading)
    assert reading.values == (1234.0,)


def test_silence_is_a_gap_and_a_meter_that_sleeps_is_one() -> None:
    protocol = streaming()
    assert protocol.deadline == 2.0
    protocol.feed(checked(1), 1.0)
    assert protocol.deadline == 3.0
    protocol.feed(b"", 9.0)
    reading, gap = heard(protocol)
    assert isinstance(reading, Reading)
    assert isinstance(gap, Gap)
    assert (gap.reason, gap.detail) == (GapReason.NO_REPLY, "silent for 2.0 s")
    assert protocol.deadline == 11.0


def test_rubbish_without_end_is_told_at_the_deadline() -> None:
    protocol = streaming()
    protocol.feed(b"\x00\x01\x02", 1.0)
    protocol.feed(b"", 2.0)
    (gap,) = heard(protocol)
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.GARBLED
    assert (
        gap.detail
        == "no whole frame for 2.0 s, rubbish between frames: b'\\x00\\x01\\x02'"
    )


@STEADY
@given(st.lists(st.binary(max_size=60), max_size=12))
def test_random_bytes_are_a_reading_only_with_the_right_checksum(
    chunks: list[bytes],
) -> None:
    stream = b"".join(chunks)
    sound = [
        place
        for place in range(len(stream) - 5)
        if stream[place : place + 2] == SYNC
        and OTHER_PARTY.checksum(stream[place + 2 : place + 5]) == stream[place + 5]
    ]
    assert len(values(fed(streaming(), *chunks))) <= len(sound)


def test_readings_that_nobody_takes_are_dropped_within_a_limit() -> None:
    protocol = streaming()
    protocol.feed(checked(5) * (MAX_WAITING + 1), 1.0)
    outcomes = heard(protocol)
    assert len(outcomes) == 2
    (gap,) = gaps(outcomes)
    assert "not taken in time" in gap.detail


def test_streamed_frames_need_a_sync() -> None:
    with pytest.raises(ValueError, match="clamp: sync is empty"):
        streaming(FrameLayout(2, [FrameField("v", byte=0, type="u16")]))
