"""Lines that nobody asked for: what is a reading, what is a gap, what is silence."""

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.protocols.streamed_lines import MAX_WAITING, StreamedLines, StreamField
from daq.records import Gap, GapReason, Reading, unusable_bit

STEADY = settings(derandomize=True, deadline=None, max_examples=200)

CHAR_S = 0.001
LINE = b"V=+12.34 m/s T=+21.6 C\r\n"
PATTERN = r"V=(?P<velocity>\S+) m/s T=(?P<temperature>\S+) C"
FIELDS = (StreamField("velocity", low=0.0, high=40.0), StreamField("temperature"))


def vane(**more: Any) -> StreamedLines:
    settings_of_ours: dict[str, Any] = {
        "instrument": "vane",
        "pattern": PATTERN,
        "fields": FIELDS,
        "silence_s": 2.0,
        "char_s": CHAR_S,
    }
    return StreamedLines(**(settings_of_ours | more))


def in_step(**more: Any) -> StreamedLines:
    """An instrument that has been heard from, at 10 s."""
    protocol = vane(**more)
    protocol.query(9.0)
    protocol.feed(b"m/s T=+21.6 C\r\n", 10.0)
    assert protocol.next_reading() is None
    return protocol


def outcomes(protocol: StreamedLines) -> list[Reading | Gap]:
    """All that can be taken now."""
    found: list[Reading | Gap] = []
    while outcome := protocol.next_reading():
        found.append(outcome)
    return found


def only(protocol: StreamedLines) -> Reading | Gap:
    (outcome,) = outcomes(protocol)
    return outcome


def values_of(found: list[Reading | Gap]) -> list[tuple[float | None, ...]]:
    return [item.values for item in found if isinstance(item, Reading)]


def test_nothing_is_ever_asked() -> None:
    assert vane().deadline is None
    protocol = vane()
    assert protocol.query(9.0) == b""
    assert protocol.deadline == 11.0
    assert protocol.query(9.5) == b""
    assert protocol.deadline == 11.0


def test_a_line_is_a_reading() -> None:
    protocol = in_step()
    protocol.feed(LINE, 10.5)
    outcome = only(protocol)
    assert isinstance(outcome, Reading)
    assert outcome.instrument == "vane"
    assert outcome.values == (12.34, 21.6)
    assert outcome.flags == 0


def test_a_reading_is_as_old_as_the_bytes_of_its_line() -> None:
    protocol = in_step()
    protocol.feed(LINE[:10], 10.490)
    protocol.feed(LINE[10:], 10.5)
    # The line has 24 characters of 1 ms.
    assert only(protocol).at_s == pytest.approx(10.5 - 0.024, abs=1e-12)


def test_lines_of_one_chunk_are_told_apart_by_the_bytes_behind_them() -> None:
    protocol = in_step()
    protocol.feed(LINE + LINE + LINE[:4], 10.5)
    times = [item.at_s for item in outcomes(protocol)]
    # 4 characters of the third line, then 24 of the second, then 24 of the first.
    assert times == pytest.approx([10.5 - 0.052, 10.5 - 0.028], abs=1e-12)


def test_the_first_line_is_dropped_for_half_a_line_can_look_whole() -> None:
    protocol = vane(pattern=r"(?P<v>\S+)", fields=[StreamField("v")])
    protocol.query(9.0)
    # What is left of 12.34 when listening began after its first digit.
    protocol.feed(b"2.34\r\n12.35\r\n", 10.0)
    assert values_of(outcomes(protocol)) == [(12.35,)]


@STEADY
@given(st.lists(st.integers(1, 3 * len(LINE) - 1), max_size=12))
def test_lines_cut_anywhere_into_chunks_are_the_same_readings(cuts: list[int]) -> None:
    stream = LINE + LINE.replace(b"12.34", b"12.35") + LINE.replace(b"12.34", b"12.36")
    edges = sorted({0, *cuts, len(stream)})
    protocol = in_step()
    found: list[Reading | Gap] = []
    for start, end in pairwise(edges):
        protocol.feed(stream[start:end], 10.5 + end * CHAR_S)
        found += outcomes(protocol)
    assert values_of(found) == [(12.34, 21.6), (12.35, 21.6), (12.36, 21.6)]
    times = [item.at_s for item in found]
    assert times == pytest.approx([10.5, 10.524, 10.548], abs=1e-12)


def test_a_line_byte_by_byte_is_a_reading_at_its_last_byte_only() -> None:
    protocol = in_step()
    for index, byte in enumerate(LINE[:-1]):
        protocol.feed(bytes((byte,)), 10.1 + index * CHAR_S)
        assert outcomes(protocol) == []
    protocol.feed(LINE[-1:], 10.2)
    assert isinstance(only(protocol), Reading)


@pytest.mark.parametrize("text", [b"OL", b"-OL", b"9.9E37", b"9.91E37", b"1E999"])
def test_overrange_becomes_none_and_the_other_value_stands(text: bytes) -> None:
    protocol = in_step()
    protocol.feed(LINE.replace(b"+12.34", text), 10.5)
    outcome = only(protocol)
    assert isinstance(outcome, Reading)
    assert outcome.values == (None, 21.6)
    assert outcome.flags == unusable_bit(0)


def test_the_texts_for_overrange_can_be_the_instruments_own() -> None:
    protocol = in_step(overrange=frozenset({"----"}))
    protocol.feed(LINE.replace(b"+21.6", b"----"), 10.5)
    protocol.feed(LINE.replace(b"+21.6", b"OL"), 11.0)
    reading, gap = outcomes(protocol)
    assert isinstance(reading, Reading)
    assert reading.values == (12.34, None)
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.GARBLED


def test_scale_and_offset_are_applied_in_the_order_of_the_fields() -> None:
    fields = [
        StreamField("temperature", scale=2.0, offset=1.0),
        StreamField("velocity", scale=0.5),
    ]
    protocol = in_step(fields=fields)
    protocol.feed(LINE, 10.5)
    outcome = only(protocol)
    assert isinstance(outcome, Reading)
    # 21.6 * 2 + 1 and 12.34 / 2; tolerance: rounding of doubles.
    assert outcome.values == pytest.approx((44.2, 6.17), abs=1e-13)


def test_a_value_out_of_range_is_an_implausible_gap() -> None:
    protocol = in_step()
    protocol.feed(LINE.replace(b"+12.34", b"-12.34"), 10.5)
    gap = only(protocol)
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.IMPLAUSIBLE
    assert gap.detail == "velocity -12.34, expected 0.0 to 40.0"


@pytest.mark.parametrize(
    "line",
    [
        b"V=+12.34 m/s T=+21.6 F",
        b"V=+12.34 m/s",
        b"V=+12.34 m/s T=+21.6 C extra",
        b"xV=+12.34 m/s T=+21.6 C",
        b"V=+12,34 m/s T=+21.6 C",
        b"V=nan m/s T=+21.6 C",
        b"V=1_2 m/s T=+21.6 C",
        b"V=+12.34 m/s T=+21.6\x00C",
        b"V=+12.34 m/s T=+21.6 \xb0C",
    ],
)
def test_a_line_that_is_not_as_it_should_be_is_garbled_and_the_next_is_read(
    line: bytes,
) -> None:
    protocol = in_step()
    protocol.feed(line + b"\r\n" + LINE, 10.5)
    gap, reading = outcomes(protocol)
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.GARBLED
    assert gap.detail.endswith(repr(line + b"\r"))
    assert gap.at_s == 10.5
    assert isinstance(reading, Reading)


def test_the_detail_of_a_gap_shows_64_bytes() -> None:
    protocol = in_step()
    protocol.feed(b"x" * 100 + b"\n", 10.5)
    gap = only(protocol)
    assert isinstance(gap, Gap)
    assert gap.detail.endswith(f"{b'x' * 64!r} and 36 more")


def test_a_group_that_took_no_part_is_garbled() -> None:
    protocol = in_step(pattern=r"V=(?P<velocity>\S+)( T=(?P<temperature>\S+))?")
    protocol.feed(b"V=1.5\n", 10.5)
    gap = only(protocol)
    assert isinstance(gap, Gap)
    assert gap.detail.startswith("temperature '', expected a number")


def test_blank_lines_are_passed_over() -> None:
    protocol = in_step()
    protocol.feed(b"\r\n \r\n" + LINE + b"\r\n", 10.5)
    assert isinstance(only(protocol), Reading)


def test_silence_is_a_gap_each_time_it_lasts_so_long() -> None:
    protocol = in_step()
    assert protocol.deadline == 12.0
    protocol.feed(b"", 11.999)
    assert outcomes(protocol) == []
    protocol.feed(b"", 12.0)
    assert only(protocol) == Gap("vane", 12.0, GapReason.NO_REPLY, "silent for 2.0 s")
    assert protocol.deadline == 14.0
    protocol.feed(b"", 14.0)
    assert isinstance(only(protocol), Gap)


def test_silence_from_the_start_is_a_gap() -> None:
    protocol = vane()
    protocol.query(9.0)
    protocol.feed(b"", 11.0)
    gap = only(protocol)
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.NO_REPLY


def test_a_line_puts_the_deadline_off() -> None:
    protocol = in_step()
    protocol.feed(LINE, 10.5)
    assert protocol.deadline == 12.5


def test_bytes_that_never_end_a_line_and_blank_lines_are_silence() -> None:
    for data in (b"V=", b"\r\n"):
        protocol = in_step()
        protocol.feed(data, 11.9)
        protocol.feed(data, 12.0)
        gap = only(protocol)
        assert isinstance(gap, Gap)
        assert gap.reason is GapReason.NO_REPLY


def test_a_computer_that_slept_is_one_gap() -> None:
    protocol = in_step()
    protocol.feed(b"", 3600.0)
    assert isinstance(only(protocol), Gap)
    assert protocol.deadline == 3602.0


def test_after_a_silence_the_rest_of_the_old_line_is_not_joined_to_the_new() -> None:
    protocol = in_step(
        pattern=r"(?P<v>\S+)", fields=[StreamField("v")], terminator=b"\n"
    )
    protocol.feed(b"1", 10.5)
    protocol.feed(b"", 12.0)
    assert isinstance(only(protocol), Gap)
    protocol.feed(b"2.34\n2.35\n", 12.5)
    assert values_of(outcomes(protocol)) == [(2.35,)]


@pytest.mark.parametrize("terminator", [b"\n", b"\r\n"])
@pytest.mark.parametrize("bytewise", [False, True], ids=["whole", "byte by byte"])
def test_an_overlong_line_is_one_gap_and_the_next_is_read(
    terminator: bytes, *, bytewise: bool
) -> None:
    protocol = in_step(max_line=30, terminator=terminator)
    stream = b"x" * 95 + terminator + LINE
    size = 1 if bytewise else len(stream)
    for start in range(0, len(stream), size):
        protocol.feed(stream[start : start + size], 10.5)
    gap, reading = outcomes(protocol)
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.GARBLED
    assert gap.detail.startswith("more than 30 bytes in b'xxx")
    assert isinstance(reading, Reading)


@pytest.mark.parametrize("bytewise", [False, True], ids=["whole", "byte by byte"])
def test_a_line_of_the_greatest_length_is_read(*, bytewise: bool) -> None:
    # The text of the line without its two-byte terminator has 22 characters.
    protocol = in_step(max_line=22, terminator=b"\r\n")
    size = 1 if bytewise else len(LINE)
    for start in range(0, len(LINE), size):
        protocol.feed(LINE[start : start + size], 10.5)
    assert isinstance(only(protocol), Reading)


def test_readings_that_nobody_takes_are_dropped_at_the_limit_with_a_gap() -> None:
    protocol = in_step(silence_s=1e6)
    for _ in range(MAX_WAITING + 1):
        protocol.feed(LINE, 10.5)
    gap, reading = outcomes(protocol)
    assert isinstance(gap, Gap)
    assert gap.detail == f"{MAX_WAITING} readings not taken in time, dropped"
    assert isinstance(reading, Reading)


@STEADY
@given(st.lists(st.binary(max_size=60), max_size=20))
def test_no_bytes_whatever_raise_or_stop_the_next_line(chunks: list[bytes]) -> None:
    protocol = in_step(max_line=50)
    for chunk in chunks:
        protocol.feed(chunk, 10.5)
    outcomes(protocol)
    protocol.feed(b"\n" + LINE, 11.0)
    assert values_of(outcomes(protocol))[-1] == (12.34, 21.6)


@STEADY
@given(st.integers(0, len(LINE) - 2), st.integers(0, 255))
def test_a_spoiled_byte_hits_its_own_line_only(where: int, byte: int) -> None:
    # There is no checksum: a digit for a digit cannot be seen in the line itself.
    protocol = in_step()
    spoiled = LINE[:where] + bytes((byte,)) + LINE[where + 1 :]
    protocol.feed(LINE + spoiled + LINE, 10.5)
    found = values_of(outcomes(protocol))
    assert found[0] == found[-1] == (12.34, 21.6)


@pytest.mark.parametrize(
    ("more", "named"),
    [
        ({"pattern": r"V=(?P<velocity>\S+)"}, r"no group \['temperature'\]"),
        ({"pattern": PATTERN + "(?P<more>.*)"}, r"no field \['more'\]"),
        ({"pattern": "(?P<velocity>"}, "pattern"),
        ({"fields": [], "pattern": "V"}, "at least one"),
        ({"terminator": b""}, "terminator"),
        ({"silence_s": 0.0}, "silence_s 0.0"),
        ({"char_s": 0.0}, "char_s 0.0"),
        ({"max_line": 0}, "max_line 0"),
    ],
)
def test_an_impossible_instrument_is_refused_by_name(
    more: dict[str, Any], named: str
) -> None:
    with pytest.raises(ValueError, match=named):
        vane(**more)
