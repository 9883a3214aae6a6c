"""Modbus RTU: what is a gap, and why."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.framing import append_crc
from daq.records import Gap, GapReason, Reading
from tests.core.protocols.modbus_asked import (
    DEADLINE_S,
    FRAMES,
    REPLY,
    REQUEST,
    STEADY,
    after_deadline,
    answered,
    gap_after,
    holding,
    meter,
    published,
)

# What a gap is


def test_no_reply_tells_how_long_was_waited() -> None:
    protocol = published()
    protocol.query(10.0)
    protocol.feed(b"", DEADLINE_S - 0.001)
    assert protocol.next_reading() is None
    gap = after_deadline(protocol)
    assert isinstance(gap, Gap)
    assert gap.at_s == pytest.approx(DEADLINE_S, abs=1e-12)
    assert gap.reason is GapReason.NO_REPLY
    assert gap.detail == "no reply within 0.30 s"


@pytest.mark.parametrize("length", range(1, len(REPLY)))
def test_a_reply_cut_short_says_how_much_came(length: int) -> None:
    gap = gap_after(REPLY[:length])
    assert gap.reason is GapReason.CUT
    assert gap.detail == f"{length} of 11 bytes within 0.30 s: {REPLY[:length]!r}"


def test_an_exception_cut_short_is_cut() -> None:
    gap = gap_after(FRAMES["exception"][:4])
    assert gap.reason is GapReason.CUT
    assert gap.detail.startswith("4 of 5 bytes")


def test_a_wrong_checksum_shows_both() -> None:
    gap = gap_after(REPLY[:-2] + b"\x37\x4b")
    assert gap.reason is GapReason.GARBLED
    # The right one, 05 7A on the wire, is in vectors/modbus.json.
    assert gap.detail.startswith("checksum 0x4B37, expected 0x7A05 in b'\\x01\\x03")


@pytest.mark.parametrize("bit", range(8 * len(REPLY)))
@pytest.mark.parametrize("bytewise", [False, True], ids=["whole", "byte by byte"])
def test_no_single_flipped_bit_gives_a_reading(bit: int, *, bytewise: bool) -> None:
    spoiled = bytearray(REPLY)
    spoiled[bit // 8] ^= 1 << (bit % 8)
    protocol = published()
    chunks = [bytes((byte,)) for byte in spoiled] if bytewise else [bytes(spoiled)]
    outcome = answered(protocol, chunks) or after_deadline(protocol)
    assert isinstance(outcome, Gap)
    assert outcome.reason in (GapReason.GARBLED, GapReason.CUT)


@pytest.mark.parametrize(
    ("frame", "detail"),
    [
        (append_crc(b"\x02" + REPLY[1:-2]), "reply of unit 2, expected 1"),
        (append_crc(b"\x01\x04" + REPLY[2:-2]), "reply to function 4, expected 3"),
        (append_crc(b"\x01\x03\x02\x00\x0a"), "byte count 2, expected 6"),
        (append_crc(b"\x01\x03\x08" + bytes(8)), "byte count 8, expected 6"),
        (append_crc(b"\x01\x84\x02"), "reply to function 4, expected 3"),
        (append_crc(b"\x07\x83\x02"), "reply of unit 7, expected 1"),
        (append_crc(b"\x01\x06\x00\x01\x00\x03"), "reply to function 6, expected 3"),
        (append_crc(b"\x01\x2b\x0e\x01\x01"), "reply to function 43, expected 3"),
    ],
)
def test_a_sound_frame_that_answers_something_else_is_foreign(
    frame: bytes, detail: str
) -> None:
    for chunks in ([frame], [frame[:4], frame[4:]]):
        protocol = published()
        gap = answered(protocol, chunks) or after_deadline(protocol)
        assert isinstance(gap, Gap)
        assert gap.reason is GapReason.FOREIGN
        assert gap.detail.startswith(detail)


def test_a_line_that_sends_the_request_back_is_named() -> None:
    for chunks in ([REQUEST], [REQUEST + REPLY], [REQUEST[:3], REQUEST[3:] + REPLY]):
        gap = answered(published(), chunks)
        assert isinstance(gap, Gap)
        assert gap.reason is GapReason.FOREIGN
        assert "sends the request back" in gap.detail


def test_the_published_exception_is_a_refusal_with_its_name() -> None:
    gap = gap_after(FRAMES["exception"])
    assert gap.reason is GapReason.REFUSED
    assert gap.detail == "exception 2 (illegal data address) to function 3"


def test_an_exception_that_the_standard_does_not_have_is_a_refusal() -> None:
    gap = gap_after(append_crc(b"\x01\x83\x63"))
    assert gap.reason is GapReason.REFUSED
    assert gap.detail.startswith("exception 99 (not in the standard)")


@pytest.mark.parametrize("rubbish", [b"\x00", b"\xff", b"\x01", b"\x01\x03", REPLY])
def test_rubbish_behind_a_reply_spoils_it(rubbish: bytes) -> None:
    gap = gap_after(REPLY + rubbish)
    assert gap.reason is GapReason.GARBLED
    assert f"{len(rubbish)} bytes after a whole reply" in gap.detail


@pytest.mark.parametrize(
    "rubbish", [b"\x00", b"\xff", b"\x01", b"\x55\xaa\x55", REPLY[:4]]
)
def test_rubbish_before_a_reply_spoils_it(rubbish: bytes) -> None:
    assert gap_after(rubbish + REPLY).reason is GapReason.GARBLED
    protocol = published()
    outcome = answered(protocol, [rubbish, REPLY]) or after_deadline(protocol)
    assert isinstance(outcome, Gap)
    assert outcome.reason is GapReason.GARBLED


def test_more_bytes_than_any_frame_has_are_dropped() -> None:
    # Function 0x2B tells no length; 256 bytes is the longest frame there is.
    gap = gap_after(b"\x01\x2b" + bytes(300))
    assert gap.reason is GapReason.GARBLED
    assert gap.detail.startswith("more than 256 bytes")


def test_a_value_out_of_range_makes_the_whole_poll_implausible() -> None:
    protocol = meter(
        holding("a", 107, high=500.0), holding("b", 108), holding("c", 109)
    )
    gap = gap_after(REPLY, protocol)
    assert gap.reason is GapReason.IMPLAUSIBLE
    assert gap.detail == "a 555.0, expected at most 500.0"


@pytest.mark.parametrize(
    ("limits", "detail"),
    [
        ({"low": 600.0}, "a 555.0, expected at least 600.0"),
        ({"low": 0.0, "high": 100.0}, "a 555.0, expected 0.0 to 100.0"),
    ],
)
def test_the_range_is_told_in_words(limits: dict[str, float], detail: str) -> None:
    field = holding("a", 0, **limits)
    gap = gap_after(append_crc(b"\x01\x03\x02\x02\x2b"), meter(field))
    assert gap.detail == detail


def test_a_value_on_the_edge_of_its_range_is_plausible() -> None:
    protocol = meter(holding("a", 0, low=555.0, high=555.0))
    outcome = answered(protocol, [append_crc(b"\x01\x03\x02\x02\x2b")])
    assert isinstance(outcome, Reading)


def test_swapped_words_are_caught_by_the_range() -> None:
    # 123.456 with its registers exchanged reads as -1.88e25.
    protocol = meter(holding("a", 0, kind="f32", low=0.0, high=300.0))
    gap = gap_after(append_crc(bytes.fromhex("010304E97942F6")), protocol)
    assert gap.reason is GapReason.IMPLAUSIBLE


def test_a_late_reply_is_ignored_until_the_next_query() -> None:
    protocol = published()
    protocol.query(10.0)
    assert isinstance(after_deadline(protocol), Gap)
    protocol.feed(REPLY, 10.5)
    assert protocol.next_reading() is None
    assert protocol.deadline is None
    protocol.query(11.0)
    assert protocol.next_reading() is None
    protocol.feed(append_crc(b"\x01\x03\x06\x00\x01\x00\x02\x00\x03"), 11.1)
    outcome = protocol.next_reading()
    assert isinstance(outcome, Reading)
    assert outcome.values == (1.0, 2.0, 3.0)


def test_an_outcome_that_nobody_took_is_gone_with_the_next_poll() -> None:
    protocol = published()
    answered(protocol, [])
    protocol.feed(REPLY, 10.1)
    protocol.query(11.0)
    assert protocol.next_reading() is None


def test_bytes_before_the_first_query_are_ignored() -> None:
    protocol = published()
    protocol.feed(REPLY, 9.0)
    assert protocol.next_reading() is None


def bitwise_crc(data: bytes) -> int:
    """The flow chart of Modbus over Serial Line V1.02, Appendix B, bit by bit."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


@STEADY
@given(st.lists(st.binary(max_size=40), max_size=12), st.sampled_from([b"", REPLY[:3]]))
def test_random_bytes_are_a_reading_only_if_the_checksum_happens_to_fit(
    chunks: list[bytes], head: bytes
) -> None:
    chunks = [head, *chunks] if head else chunks
    protocol = published()
    outcome = answered(protocol, chunks)
    if isinstance(outcome, Reading):
        sent = b"".join(chunks)[: len(REPLY)]
        assert sent[:3] == REPLY[:3]
        assert bitwise_crc(sent) == 0
    elif outcome is None:
        assert isinstance(after_deadline(protocol), Gap)


@STEADY
@given(st.binary(min_size=8, max_size=8))
def test_a_random_tail_behind_the_right_head_is_a_reading_if_the_checksum_fits(
    tail: bytes,
) -> None:
    frame = REPLY[:3] + tail
    outcome = answered(published(), [frame])
    assert isinstance(outcome, Reading) == (bitwise_crc(frame) == 0)
    values = struct.unpack(">3H", tail[:6])
    sound = frame[:-2] + bitwise_crc(frame[:-2]).to_bytes(2, "little")
    outcome = answered(published(), [sound])
    assert isinstance(outcome, Reading)
    assert outcome.values == values
