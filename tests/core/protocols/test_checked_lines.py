"""Lines that end in a checksum and replies that say whose they are."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.checksums import NAMED, LineChecksum
from daq.protocols.query_lines import LineField, QueryLines
from daq.protocols.streamed_lines import StreamedLines, StreamField
from daq.records import Gap, GapReason, Reading

STEADY = settings(derandomize=True, deadline=None, max_examples=150)
CHAR_S = 0.001
CHECKED = LineChecksum(NAMED["xor8"], start=b"#")
# '0'^'1'^','^'+'^'1'^'2'^'.'^'5' = 0x30^0x31^0x2C^0x2B^0x31^0x32^0x2E^0x35, by hand 0x1E.
REPLY = b"#01,+12.5*1E\r\n"


def asked(*, reply_start: str = "01,") -> QueryLines:
    return QueryLines(
        instrument="sensor",
        request=b"#01P*52\r\n",
        fields=[LineField("pressure", 0, low=-2500.0, high=2500.0)],
        expected_count=1,
        reply_timeout_s=0.3,
        char_s=CHAR_S,
        checksum=CHECKED,
        reply_start=reply_start,
    )


def outcome_of(protocol: QueryLines, *chunks: bytes) -> Reading | Gap:
    protocol.query(10.0)
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
    return outcome


def line_of(text: str) -> bytes:
    return b"#" + text.encode() + b"*" + CHECKED.digits_of(text.encode()) + b"\r\n"


def test_a_checked_reply_of_the_right_address_is_a_reading() -> None:
    outcome = outcome_of(asked(), REPLY)
    assert isinstance(outcome, Reading)
    assert outcome.values == (12.5,)


@STEADY
@given(st.lists(st.integers(1, len(REPLY) - 1), max_size=8))
def test_a_checked_reply_cut_anywhere_into_chunks_is_the_same(cuts: list[int]) -> None:
    edges = sorted({0, *cuts, len(REPLY)})
    outcome = outcome_of(asked(), *(REPLY[a:b] for a, b in pairwise(edges)))
    assert isinstance(outcome, Reading)
    assert outcome.values == (12.5,)


def test_a_reply_of_another_address_is_foreign() -> None:
    gap = outcome_of(asked(), line_of("02,+12.5"))
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.FOREIGN
    assert gap.detail.startswith("reply begins '02,', expected '01,' in b'#02,+12.5*")


def test_a_flipped_digit_is_garbled_though_it_leaves_a_number() -> None:
    gap = outcome_of(asked(), REPLY.replace(b"12.5", b"13.5"))
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.GARBLED
    assert gap.detail.startswith("checksum '1E', expected '1F' in b'#01,+13.5*1E")


@pytest.mark.parametrize("bit", range(8 * len(REPLY)))
def test_no_flipped_bit_gives_another_value(bit: int) -> None:
    spoiled = bytearray(REPLY)
    spoiled[bit // 8] ^= 1 << bit % 8
    outcome = outcome_of(asked(), bytes(spoiled))
    # What leaves number and checksum alone may be a reading: a line end of another kind, a small digit.
    assert isinstance(outcome, Gap) or outcome.values == (12.5,)


@pytest.mark.parametrize("rubbish", [b"\x00", b"!?", b"#01", REPLY])
def test_rubbish_before_or_behind_a_checked_reply_spoils_it(rubbish: bytes) -> None:
    for data in (rubbish + REPLY, REPLY + rubbish):
        assert isinstance(outcome_of(asked(), data), Gap)


def test_an_address_without_numbers_behind_it_is_garbled() -> None:
    gap = outcome_of(asked(), line_of("01,"))
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.GARBLED


def test_a_reply_without_a_beginning_of_its_own_needs_none() -> None:
    outcome = outcome_of(asked(reply_start=""), line_of("+3"))
    assert isinstance(outcome, Reading)
    assert outcome.values == (3.0,)


# ---- unasked


def streamed() -> StreamedLines:
    protocol = StreamedLines(
        instrument="vane",
        pattern=r"V=(?P<velocity>[^ ]+)",
        fields=[StreamField("velocity")],
        silence_s=2.0,
        char_s=CHAR_S,
        checksum=LineChecksum(NAMED["sum8"]),
    )
    protocol.query(0.0)
    protocol.feed(b"\n", 0.1)
    return protocol


def test_a_streamed_line_with_its_checksum_is_a_reading() -> None:
    protocol = streamed()
    # 'V' 0x56 + '=' 0x3D + '7' 0x37 = 0xCA.
    protocol.feed(b"V=7*CA\r\n", 1.0)
    outcome = protocol.next_reading()
    assert isinstance(outcome, Reading)
    assert outcome.values == (7.0,)
    assert outcome.at_s == pytest.approx(1.0 - 8 * CHAR_S, abs=1e-12)


@pytest.mark.parametrize(
    ("line", "detail"),
    [
        (b"V=8*CA\r\n", "checksum 'CA', expected 'CB' in b'V=8*CA\\r'"),
        (b"V=7\r\n", "no checksum, expected '*' and 2 digits at the end in b'V=7\\r'"),
        # Sound, but not what the pattern says: 'U' is one less than 'V'.
        (b"U=7*C9\r\n", "line does not match the pattern: b'U=7*C9\\r'"),
    ],
)
def test_a_streamed_line_without_its_checksum_is_garbled(
    line: bytes, detail: str
) -> None:
    protocol = streamed()
    protocol.feed(line, 1.0)
    gap = protocol.next_reading()
    assert isinstance(gap, Gap)
    assert (gap.reason, gap.detail) == (GapReason.GARBLED, detail)


def test_a_blank_line_is_passed_over_though_it_has_no_checksum() -> None:
    protocol = streamed()
    protocol.feed(b"\r\nV=7*CA\r\n", 1.0)
    assert isinstance(protocol.next_reading(), Reading)
    assert protocol.next_reading() is None
