"""Whose a gap is, when it became known, and what it says, of each protocol that reads text or frames."""

from collections.abc import Callable

import pytest

from daq.protocols import WireProtocol
from daq.protocols.fixed_frames import PolledFrames, StreamedFrames
from daq.protocols.query_lines import LineField, QueryLines
from daq.protocols.streamed_lines import StreamedLines, StreamField
from daq.records import Gap, GapReason, Reading
from tests.core.protocols.frames_made import CHAR_S, CHECKED, PLAIN, SYNC, plain

ASKED_S = 10.0
CAME_S = 10.125


def _query_lines() -> WireProtocol:
    return QueryLines(
        instrument="analyser",
        request=b"MEAS?\n",
        fields=[LineField("power", 0, high=900.0)],
        expected_count=1,
        reply_timeout_s=0.25,
        char_s=CHAR_S,
    )


def _addressed_lines() -> WireProtocol:
    """Replies begin with the instrument's address."""
    return QueryLines(
        instrument="scale",
        request=b"#01\n",
        fields=[LineField("load", 0)],
        expected_count=1,
        reply_timeout_s=0.25,
        char_s=CHAR_S,
        reply_start="01 ",
    )


def _polled_frames() -> WireProtocol:
    return PolledFrames(
        instrument="clamp",
        request=b"\xaa\x01",
        layout=CHECKED,
        reply_timeout_s=0.25,
        char_s=CHAR_S,
    )


def _streamed_lines() -> WireProtocol:
    """In step already: its first line was begun before anybody listened."""
    protocol = StreamedLines(
        instrument="vane",
        pattern=r"V=(?P<velocity>\S+)",
        fields=[StreamField("velocity", high=40.0)],
        silence_s=2.0,
        char_s=CHAR_S,
    )
    protocol.query(9.0)
    protocol.feed(b"\n", 9.5)
    return protocol


def _streamed_frames() -> WireProtocol:
    return StreamedFrames(
        instrument="clamp", layout=CHECKED, silence_s=2.0, char_s=CHAR_S
    )


def _poll(protocol: WireProtocol, data: bytes) -> Gap:
    """The gap that bytes at 10.125 s make, or the end of waiting behind them."""
    protocol.query(ASKED_S)
    protocol.feed(data, CAME_S)
    outcome = protocol.next_reading()
    if outcome is None:
        assert protocol.deadline is not None
        protocol.feed(b"", protocol.deadline)
        outcome = protocol.next_reading()
    assert isinstance(outcome, Gap)
    return outcome


# What becomes known at the last byte.
@pytest.mark.parametrize(
    ("made", "data", "gap"),
    [
        (
            _query_lines,
            b"x\n",
            Gap(
                "analyser",
                CAME_S,
                GapReason.GARBLED,
                r"'x', expected a number in b'x\n'",
            ),
        ),
        (
            _query_lines,
            b"1,2\n",
            Gap(
                "analyser",
                CAME_S,
                GapReason.GARBLED,
                r"2 parts, expected 1 in b'1,2\n'",
            ),
        ),
        (
            _query_lines,
            b"1\n2\n",
            Gap(
                "analyser",
                CAME_S,
                GapReason.FOREIGN,
                r"more than one line: b'1\n2\n'",
            ),
        ),
        (
            _query_lines,
            b"901\n",
            Gap(
                "analyser",
                CAME_S,
                GapReason.IMPLAUSIBLE,
                "power 901.0, expected at most 900.0",
            ),
        ),
        (
            _addressed_lines,
            b"02 5\n",
            Gap(
                "scale",
                CAME_S,
                GapReason.FOREIGN,
                "reply begins '02 ', expected '01 ' in b'02 5'",
            ),
        ),
        (
            _streamed_lines,
            b"V=41\n",
            Gap(
                "vane",
                CAME_S,
                GapReason.IMPLAUSIBLE,
                "velocity 41.0, expected at most 40.0",
            ),
        ),
        (
            _streamed_lines,
            b"V=x\n",
            Gap(
                "vane",
                CAME_S,
                GapReason.GARBLED,
                "velocity 'x', expected a number in b'V=x'",
            ),
        ),
        (
            _streamed_lines,
            b"XX\n",
            Gap(
                "vane",
                CAME_S,
                GapReason.GARBLED,
                "line does not match the pattern: b'XX'",
            ),
        ),
    ],
)
def test_a_reply_that_is_none_is_the_instruments_gap_at_its_last_byte(
    made: Callable[[], WireProtocol], data: bytes, gap: Gap
) -> None:
    assert _poll(made(), data) == gap


# Requests of 6 and 2 characters of 1 ms; a frame of 6 characters more.
@pytest.mark.parametrize(
    ("made", "data", "gap"),
    [
        (
            _query_lines,
            b"",
            Gap("analyser", 10.256, GapReason.NO_REPLY, "no reply within 0.25 s"),
        ),
        (
            _polled_frames,
            b"",
            Gap("clamp", 10.258, GapReason.NO_REPLY, "no reply within 0.25 s"),
        ),
        (
            _polled_frames,
            SYNC + b"\x00",
            Gap(
                "clamp",
                10.258,
                GapReason.CUT,
                r"3 of 6 bytes within 0.25 s: b'U\xaa\x00'",
            ),
        ),
        (
            _streamed_lines,
            b"",
            Gap("vane", 11.0, GapReason.NO_REPLY, "silent for 2.0 s"),
        ),
        (
            _streamed_frames,
            b"",
            Gap("clamp", 12.0, GapReason.NO_REPLY, "silent for 2.0 s"),
        ),
    ],
)
def test_what_never_came_is_the_instruments_gap_at_the_end_of_waiting(
    made: Callable[[], WireProtocol], data: bytes, gap: Gap
) -> None:
    found = _poll(made(), data)
    assert found.at_s == pytest.approx(gap.at_s, abs=1e-9)
    assert (found.instrument, found.reason, found.detail) == (
        *(gap.instrument, gap.reason),
        gap.detail,
    )


def test_any_line_that_is_not_blank_puts_off_the_silence() -> None:
    protocol = _streamed_lines()
    # Only blanks and line ends: the meter has said nothing.
    protocol.feed(b" \r\n", 10.0)
    assert protocol.deadline == 11.0
    # A line that is no reading is still a sign of life.
    protocol.feed(b"XX\r\n", 10.5)
    assert protocol.deadline == 12.5


def test_rubbish_between_frames_is_told_when_the_next_frame_is_whole() -> None:
    protocol = StreamedFrames(
        instrument="clamp", layout=PLAIN, silence_s=2.0, char_s=CHAR_S
    )
    protocol.query(9.9)
    protocol.feed(plain(1) + plain(2), 10.0)
    protocol.feed(b"\x01\x02" + plain(3) + plain(4), 10.012)
    outcomes = [protocol.next_reading() for _ in range(5)]
    assert outcomes[2] == Gap(
        "clamp", 10.012, GapReason.GARBLED, r"rubbish between frames: b'\x01\x02'"
    )
    readings = [o.values for o in outcomes if isinstance(o, Reading)]
    assert readings == [(1.0,), (2.0,), (3.0,), (4.0,)]


def test_what_only_looks_like_a_first_frame_is_not_read() -> None:
    protocol = StreamedFrames(
        instrument="clamp", layout=PLAIN, silence_s=2.0, char_s=CHAR_S
    )
    protocol.query(9.9)
    # Five bytes that begin with a sync, but what follows them is no frame.
    protocol.feed(plain(42) + b"\x07" + plain(1) + plain(2), 10.0)
    outcomes = [protocol.next_reading() for _ in range(3)]
    readings = [o.values for o in outcomes if isinstance(o, Reading)]
    assert readings == [(1.0,), (2.0,)]
    assert outcomes[-1] is None
