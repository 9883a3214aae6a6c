"""Query and one line of numbers: what is a reading, and what is a gap."""

import json
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.protocols.query_lines import LineField, QueryLines
from daq.records import Gap, GapReason, Reading, unusable_bit

VECTORS = Path(__file__).parents[2] / "vectors"
NUMBERS = json.loads((VECTORS / "numbers.json").read_text(encoding="utf-8"))
STEADY = settings(derandomize=True, deadline=None, max_examples=200)

CHAR_S = 0.001
REQUEST = b"MEAS?\n"
REPLY = b"+2.3012E+02,+6.512E-01,text,-4\n"
VALUES = (230.12, 0.6512, -4.0)
REQUEST_END_S = 10.0 + len(REQUEST) * CHAR_S
FIELDS = (
    LineField("voltage", 0, low=0.0, high=300.0),
    LineField("current", 1),
    LineField("level", 3),
)


def analyser(**more: Any) -> QueryLines:
    settings_of_ours: dict[str, Any] = {
        "instrument": "analyser",
        "request": REQUEST,
        "fields": FIELDS,
        "expected_count": 4,
        "reply_timeout_s": 0.3,
        "char_s": CHAR_S,
    }
    return QueryLines(**(settings_of_ours | more))


def one(**more: Any) -> QueryLines:
    """An instrument that answers with a single number."""
    return analyser(**({"fields": [LineField("v", 0)], "expected_count": 1} | more))


def answered(
    protocol: QueryLines, chunks: Iterable[bytes], *, start_s: float = 10.05
) -> Reading | Gap | None:
    """Poll once at 10 s; the chunks follow each other on the wire from `start_s`."""
    protocol.query(10.0)
    at = start_s
    for chunk in chunks:
        at += len(chunk) * CHAR_S
        protocol.feed(chunk, at)
    return protocol.next_reading()


def after_deadline(protocol: QueryLines) -> Reading | Gap | None:
    """What the poll comes to when nothing more arrives."""
    assert protocol.deadline is not None
    protocol.feed(b"", protocol.deadline)
    return protocol.next_reading()


def gap_after(protocol: QueryLines, *chunks: bytes) -> Gap:
    """The gap that these bytes make, at once or at the deadline."""
    outcome = answered(protocol, chunks) or after_deadline(protocol)
    assert isinstance(outcome, Gap)
    assert outcome.instrument == "analyser"
    assert protocol.deadline is None
    return outcome


def test_the_query_is_sent_once_and_its_reply_awaited() -> None:
    protocol = analyser()
    assert protocol.deadline is None
    assert protocol.query(10.0) == REQUEST
    assert protocol.query(10.1) == b""
    assert protocol.deadline == pytest.approx(REQUEST_END_S + 0.3, abs=1e-12)


def test_an_abandoned_poll_is_begun_anew() -> None:
    protocol = analyser()
    protocol.query(10.0)
    protocol.feed(b"+1,+2", 10.1)
    assert protocol.query(99.0) == REQUEST
    protocol.feed(REPLY, 99.1)
    outcome = protocol.next_reading()
    assert isinstance(outcome, Reading)
    assert outcome.values == VALUES


def test_a_line_gives_its_fields_and_leaves_out_the_others() -> None:
    outcome = answered(analyser(), [REPLY])
    assert isinstance(outcome, Reading)
    assert outcome.values == VALUES
    assert outcome.flags == 0


def test_a_reading_is_true_midway_between_request_and_reply() -> None:
    outcome = answered(analyser(), [REPLY[:5], REPLY[5:]], start_s=10.05)
    assert isinstance(outcome, Reading)
    assert outcome.at_s == pytest.approx((REQUEST_END_S + 10.05) / 2, abs=1e-12)


def test_a_reply_is_never_taken_to_begin_before_the_request_ended() -> None:
    outcome = answered(analyser(), [REPLY], start_s=9.99)
    assert isinstance(outcome, Reading)
    assert outcome.at_s == pytest.approx(REQUEST_END_S, abs=1e-12)


@STEADY
@given(st.lists(st.integers(1, len(REPLY) - 1), max_size=10))
def test_a_reply_cut_anywhere_into_chunks_is_the_same_reading(cuts: list[int]) -> None:
    edges = sorted({0, *cuts, len(REPLY)})
    chunks = [REPLY[a:b] for a, b in pairwise(edges)]
    outcome = answered(analyser(), chunks)
    assert isinstance(outcome, Reading)
    assert outcome.values == VALUES
    assert outcome.at_s == pytest.approx((REQUEST_END_S + 10.05) / 2, abs=1e-12)


def test_a_reply_byte_by_byte_is_a_reading_at_its_last_byte_only() -> None:
    protocol = analyser()
    assert answered(protocol, [bytes((byte,)) for byte in REPLY[:-1]]) is None
    protocol.feed(REPLY[-1:], 10.2)
    assert isinstance(protocol.next_reading(), Reading)


@pytest.mark.parametrize(
    ("terminator", "separator", "reply"),
    [
        (b"\n", ",", b"1.5,2.5\r\n"),
        (b"\r\n", ",", b"1.5,2.5\r\n"),
        (b"\r", ",", b"1.5,2.5\r"),
        (b"\r", ",", b"1.5,2.5\r\n"),
        (b"\n", ";", b" 1.5 ; 2.5 \n"),
        (b"\n", "\t", b"1.5\t2.5\n"),
        (b"\n", " ", b"1.5 2.5\r\n"),
    ],
)
def test_line_ends_separators_and_blanks_are_as_configured(
    terminator: bytes, separator: str, reply: bytes
) -> None:
    protocol = analyser(
        fields=[LineField("a", 0), LineField("b", 1)],
        expected_count=2,
        terminator=terminator,
        separator=separator,
    )
    outcome = answered(protocol, [reply])
    assert isinstance(outcome, Reading)
    assert outcome.values == (1.5, 2.5)


@pytest.mark.parametrize("vector", NUMBERS["numbers"], ids=lambda v: v["text"])
def test_each_form_of_a_number_is_read(vector: dict[str, Any]) -> None:
    outcome = answered(one(), [vector["text"].encode() + b"\n"])
    assert isinstance(outcome, Reading)
    assert outcome.values == (vector["value"],)


@pytest.mark.parametrize("text", NUMBERS["not_numbers"], ids=ascii)
def test_what_is_no_number_of_the_standard_is_garbled(text: str) -> None:
    gap = gap_after(one(), text.encode() + b"\n")
    assert gap.reason is GapReason.GARBLED


@pytest.mark.parametrize("vector", NUMBERS["unusable"], ids=lambda v: v["text"])
def test_the_marks_for_overrange_become_none_and_the_others_stand(
    vector: dict[str, str],
) -> None:
    reply = f"+230.1,{vector['text']},x,+4\n".encode()
    outcome = answered(analyser(), [reply])
    assert isinstance(outcome, Reading)
    assert outcome.values == (230.1, None, 4.0)
    assert outcome.flags == unusable_bit(1)


def test_the_mark_for_overrange_is_known_before_the_scale_is_applied() -> None:
    outcome = answered(one(fields=[LineField("v", 0, scale=1e-3)]), [b"9.9E37\n"])
    assert isinstance(outcome, Reading)
    assert outcome.values == (None,)


def test_scale_and_offset_are_applied() -> None:
    protocol = one(fields=[LineField("v", 0, scale=0.5, offset=-1.0)])
    outcome = answered(protocol, [b"7\n"])
    assert isinstance(outcome, Reading)
    # 7 * 0.5 - 1 = 2.5, exact in binary.
    assert outcome.values == (2.5,)


def test_a_value_out_of_range_makes_the_whole_poll_implausible() -> None:
    gap = gap_after(analyser(), b"400.5,1,x,4\n")
    assert gap.reason is GapReason.IMPLAUSIBLE
    assert gap.detail == "voltage 400.5, expected 0.0 to 300.0"


def test_no_reply_tells_how_long_was_waited() -> None:
    gap = gap_after(analyser())
    assert gap.reason is GapReason.NO_REPLY
    assert gap.detail == "no reply within 0.30 s"
    assert gap.at_s == pytest.approx(REQUEST_END_S + 0.3, abs=1e-12)


@pytest.mark.parametrize("length", range(1, len(REPLY)))
def test_a_line_cut_short_is_cut(length: int) -> None:
    gap = gap_after(analyser(), REPLY[:length])
    assert gap.reason is GapReason.CUT
    assert gap.detail == f"no line end within 0.30 s in {REPLY[:length]!r}"


def test_a_reply_that_has_begun_may_take_the_time_of_its_bytes() -> None:
    # 9600 bit/s and less: a long line takes longer than the meter to begin it.
    protocol = one(char_s=0.01, max_line=100)
    protocol.query(10.0)
    protocol.feed(b"1", 10.2)
    # The reply began at 10.19 and may have 100 characters of 10 ms.
    assert protocol.deadline == pytest.approx(11.19, abs=1e-12)


@pytest.mark.parametrize(
    ("reply", "detail"),
    [
        (b"1,2,3\n", "3 parts, expected 4"),
        (b"1,2,3,4,5\n", "5 parts, expected 4"),
        (b"\r\n", "1 parts, expected 4"),
        (b"1,2,x,y\n", "'y', expected a number"),
        (b"1,2,\x07,4\n", "not plain text"),
        (b"1,2,\xb5A,4\n", "not plain text"),
        (b"1,2,x,4\x00\n", "not plain text"),
    ],
)
def test_a_line_that_is_not_as_it_should_be_is_garbled(
    reply: bytes, detail: str
) -> None:
    gap = gap_after(analyser(), reply)
    assert gap.reason is GapReason.GARBLED
    assert gap.detail == f"{detail} in {reply!r}"


@pytest.mark.parametrize("before", [b"ready\r\n", REQUEST, REPLY])
def test_a_line_more_than_asked_is_no_reading(before: bytes) -> None:
    gap = gap_after(analyser(), before + REPLY)
    assert gap.reason is GapReason.FOREIGN
    assert gap.detail.startswith("more than one line: b'")


def test_bytes_behind_the_line_are_no_reading() -> None:
    assert gap_after(analyser(), REPLY + b"+2").reason is GapReason.FOREIGN


@pytest.mark.parametrize(
    ("request_bytes", "terminator", "echoed"),
    [
        (b"MEAS?\n", b"\n", b"MEAS?\n"),
        (b"MEAS?\n", b"\n", b"MEAS?\r\n"),
        (b"MEAS?\r", b"\r\n", b"MEAS?\r"),
        (b"MEAS?\r\n", b"\n", b"MEAS?\r\n"),
    ],
)
def test_an_echo_that_is_expected_is_dropped(
    request_bytes: bytes, terminator: bytes, echoed: bytes
) -> None:
    sent = echoed + b"1.5\r\n"
    for chunks in ([sent], [echoed, b"1.5\r\n"], [bytes((byte,)) for byte in sent]):
        protocol = one(request=request_bytes, terminator=terminator, echo=True)
        outcome = answered(protocol, chunks)
        assert isinstance(outcome, Reading)
        assert outcome.values == (1.5,)


def test_behind_an_echo_the_reply_begins_with_its_own_first_byte() -> None:
    # The echo begins at 10.01, ends at 10.016, and the number's first byte with it.
    outcome = answered(one(echo=True), [REQUEST + b"1.5\n"], start_s=10.01)
    assert isinstance(outcome, Reading)
    assert outcome.at_s == pytest.approx((REQUEST_END_S + 10.016) / 2, abs=1e-12)


def test_an_echo_alone_is_no_reply() -> None:
    gap = gap_after(one(echo=True), REQUEST)
    assert gap.reason is GapReason.NO_REPLY
    assert gap.at_s == pytest.approx(REQUEST_END_S + 0.3, abs=1e-12)


def test_a_reply_without_the_expected_echo_is_still_a_reply() -> None:
    assert isinstance(answered(one(echo=True), [b"1.5\n"]), Reading)


def test_another_line_in_place_of_the_echo_is_no_reading() -> None:
    assert gap_after(one(echo=True), b"MEAT?\n1.5\n").reason is GapReason.FOREIGN


@pytest.mark.parametrize("terminator", [b"\n", b"\r\n"])
def test_a_line_of_the_greatest_length_is_read_and_a_longer_one_is_not(
    terminator: bytes,
) -> None:
    for text, kind in ((b"1.234567", Reading), (b"1.2345678", Gap)):
        line = text + terminator
        for chunks in ([line], [bytes((byte,)) for byte in line]):
            outcome = answered(one(max_line=8, terminator=terminator), chunks)
            assert isinstance(outcome, kind)
            if isinstance(outcome, Gap):
                assert outcome.reason is GapReason.GARBLED
                assert outcome.detail.startswith("more than 8 bytes")


def test_line_ends_without_end_behind_an_echo_are_dropped_at_the_limit() -> None:
    protocol = one(echo=True, max_line=20)
    gap = gap_after(protocol, REQUEST, b"\r" * 10, b"\r" * 11)
    assert gap.reason is GapReason.GARBLED


def test_a_late_reply_is_ignored_until_the_next_query() -> None:
    protocol = one()
    assert gap_after(protocol).reason is GapReason.NO_REPLY
    protocol.feed(b"1.5\n", 10.6)
    assert protocol.next_reading() is None
    assert protocol.deadline is None
    protocol.query(11.0)
    protocol.feed(b"2.5\n", 11.1)
    outcome = protocol.next_reading()
    assert isinstance(outcome, Reading)
    assert outcome.values == (2.5,)


@STEADY
@given(st.lists(st.binary(max_size=60), max_size=20))
def test_no_bytes_whatever_raise_or_leave_a_poll_without_an_end(
    chunks: list[bytes],
) -> None:
    protocol = analyser(max_line=100)
    outcome = answered(protocol, chunks) or after_deadline(protocol)
    assert isinstance(outcome, Reading | Gap)
    assert protocol.deadline is None


@STEADY
@given(st.integers(0, len(REPLY) - 2), st.integers(0, 255))
def test_a_spoiled_byte_in_the_reply_gives_no_value_that_is_not_in_the_line(
    where: int, byte: int
) -> None:
    # There is no checksum: a digit for a digit cannot be seen, all else must be.
    spoiled = REPLY[:where] + bytes((byte,)) + REPLY[where + 1 :]
    outcome = answered(analyser(), [spoiled])
    if isinstance(outcome, Reading):
        parts = spoiled.decode("ascii").split(",")
        assert outcome.values == (float(parts[0]), float(parts[1]), float(parts[3]))


@pytest.mark.parametrize(
    ("more", "named"),
    [
        ({"request": b""}, "empty"),
        ({"terminator": b""}, "empty"),
        ({"separator": ""}, "empty"),
        ({"fields": []}, "at least one"),
        ({"fields": [LineField("a", 0), LineField("a", 1)]}, "each name once"),
        ({"expected_count": 3}, "level: position 3, expected 0 to 2"),
        ({"fields": [LineField("a", -1)]}, "position -1"),
        ({"reply_timeout_s": 0.0}, "reply_timeout_s 0.0"),
        ({"char_s": -1.0}, "char_s -1.0"),
        ({"max_line": 0}, "max_line 0"),
    ],
)
def test_an_impossible_instrument_is_refused_by_name(
    more: dict[str, Any], named: str
) -> None:
    with pytest.raises(ValueError, match=named):
        analyser(**more)
