"""Frames of a fixed length that are asked for: what a poll comes to."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.protocols.fixed_frames import FrameField, FrameLayout, PolledFrames
from daq.records import Gap, GapReason, Reading
from tests.core.protocols.frames_made import (
    CHAR_S,
    CHECKED,
    CRC8,
    PLAIN,
    STEADY,
    SYNC,
    checked,
    plain,
)

REQUEST = b"\xaa\x01"


def polled(layout: FrameLayout = CHECKED) -> PolledFrames:
    return PolledFrames(
        instrument="clamp",
        request=REQUEST,
        layout=layout,
        reply_timeout_s=0.3,
        char_s=CHAR_S,
    )


def outcome_of(protocol: PolledFrames, *chunks: bytes) -> Reading | Gap:
    assert protocol.query(10.0) == REQUEST
    at = 10.05
    for chunk in chunks:
        at += len(chunk) * CHAR_S
        protocol.feed(chunk, at)
    outcome = protocol.next_reading()
    if outcome is None:
        assert protocol.deadline is not None
        protocol.feed(b"", protocol.deadline)
        outcome = protocol.next_reading()
    assert outcome is not None
    assert protocol.deadline is None
    return outcome


def test_the_request_is_sent_once_and_its_reply_awaited() -> None:
    protocol = polled()
    assert protocol.deadline is None
    assert protocol.query(10.0) == REQUEST
    assert protocol.query(10.1) == b""
    # Two characters out, six back.
    assert protocol.deadline == pytest.approx(10.308, abs=1e-12)


@pytest.mark.parametrize("layout", [CHECKED, PLAIN], ids=["checksum", "none"])
def test_a_reply_is_a_reading_midway_between_request_and_reply(
    layout: FrameLayout,
) -> None:
    frame = checked(42) if layout is CHECKED else plain(42)
    for cut in range(len(frame)):
        chunks = [frame[:cut], frame[cut:]] if cut else [frame]
        outcome = outcome_of(polled(layout), *chunks)
        assert isinstance(outcome, Reading)
        assert outcome.values == (42.0,)
        assert outcome.at_s == pytest.approx((10.002 + 10.05) / 2, abs=1e-12)


def test_rubbish_before_a_frame_is_passed_over_where_a_checksum_tells() -> None:
    for rubbish in (b"\x00", REQUEST, SYNC, checked(7)[:-1]):
        outcome = outcome_of(polled(), rubbish, checked(42))
        assert isinstance(outcome, Reading)
        assert outcome.values == (42.0,)


def test_rubbish_before_a_frame_spoils_it_where_nothing_tells() -> None:
    gap = outcome_of(polled(PLAIN), b"\x00" + plain(42))
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.GARBLED
    assert gap.detail.startswith("frame begins '00 55', expected '55 AA' in b'")


@pytest.mark.parametrize(
    ("chunks", "reason", "detail"),
    [
        ([], GapReason.NO_REPLY, "no reply within 0.30 s"),
        ([checked(42)[:4]], GapReason.CUT, "4 of 6 bytes within 0.30 s: b'U"),
        ([b"\x00\x00"], GapReason.GARBLED, "frame begins '00 00', expected '55 AA' in b'"),
        ([checked(42) + b"\x00"], GapReason.GARBLED, "1 bytes after a whole frame in b'U"),
        ([checked(42)[:-1] + b"\x00"], GapReason.GARBLED, "checksum 0x00, expected 0x"),
        ([bytes(600)], GapReason.GARBLED, "more than 512 bytes in b'"),
    ],
)  # fmt: skip
def test_what_is_no_reply_is_a_gap_with_its_reason(
    chunks: list[bytes], reason: GapReason, detail: str
) -> None:
    gap = outcome_of(polled(), *chunks)
    assert isinstance(gap, Gap)
    assert gap.reason is reason
    assert gap.detail.startswith(detail)


def test_a_frame_with_neither_sync_nor_checksum_is_told_by_its_length() -> None:
    bare = FrameLayout(2, [FrameField("v", byte=0, type="u16")])
    outcome = outcome_of(polled(bare), b"\x01\x02")
    assert isinstance(outcome, Reading)
    assert outcome.values == (258.0,)
    gap = outcome_of(polled(bare), b"\x01\x02\x03")
    assert isinstance(gap, Gap)


def test_bytes_while_idle_are_ignored() -> None:
    protocol = polled()
    protocol.feed(checked(1), 9.0)
    assert protocol.next_reading() is None
    assert isinstance(outcome_of(protocol, checked(2)), Reading)
    protocol.feed(checked(3), 11.0)
    assert protocol.next_reading() is None


def test_a_polled_value_that_is_no_number_or_cannot_be_true_is_a_gap() -> None:
    digits = FrameLayout(6, [FrameField("v", byte=2, type="bcd", size=2)], SYNC, CRC8)
    gap = outcome_of(polled(digits), checked(0x00AB))
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.GARBLED
    low = FrameLayout(6, [FrameField("v", byte=2, type="u16", low=9.0)], SYNC, CRC8)
    gap = outcome_of(polled(low), checked(8))
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.IMPLAUSIBLE


def test_an_empty_request_is_refused() -> None:
    with pytest.raises(ValueError, match="clamp: request is empty"):
        PolledFrames(
            instrument="clamp",
            request=b"",
            layout=PLAIN,
            reply_timeout_s=0.3,
            char_s=CHAR_S,
        )


@STEADY
@given(st.lists(st.binary(max_size=30), max_size=6))
def test_random_bytes_never_raise(chunks: list[bytes]) -> None:
    for layout in (CHECKED, PLAIN):
        outcome = outcome_of(polled(layout), *chunks)
        if isinstance(outcome, Reading):
            assert layout.sync in b"".join(chunks)
