"""Limits and words of what bytes on a serial line have in common, each side of them."""

import math

import pytest

from daq.framing import (
    OVERRANGE,
    character_bits,
    character_time_s,
    number_from_text,
    shown_bytes,
    text_from_line,
)


@pytest.mark.parametrize(
    ("bits", "parity", "stop_bits", "told"),
    [
        (4, "N", 1.0, "data bits 4, expected 5 to 8"),
        (9, "N", 1.0, "data bits 9, expected 5 to 8"),
        (8, "X", 1.0, "parity 'X', expected one of N, E, O, M, S"),
        (8, "n", 1.0, "parity 'n', expected one of N, E, O, M, S"),
        (8, "NE", 1.0, "parity 'NE', expected one of N, E, O, M, S"),
        (8, "", 1.0, "parity '', expected one of N, E, O, M, S"),
        (8, "N", 0.0, "stop bits 0.0, expected 1, 1.5 or 2"),
        (8, "N", 1.6, "stop bits 1.6, expected 1, 1.5 or 2"),
        (8, "N", 3.0, "stop bits 3.0, expected 1, 1.5 or 2"),
    ],
)
def test_a_character_that_no_line_has_is_told_with_those_it_may_have(
    bits: int, parity: str, stop_bits: float, told: str
) -> None:
    with pytest.raises(ValueError, match="expected") as refused:
        character_bits(bits, parity, stop_bits)
    assert str(refused.value) == told


@pytest.mark.parametrize("bits", [5, 6, 7, 8])
@pytest.mark.parametrize("stop_bits", [1.0, 1.5, 2.0])
def test_every_parity_but_none_takes_a_bit(bits: int, stop_bits: float) -> None:
    bare = 1.0 + bits + stop_bits
    lengths = {p: character_bits(bits, p, stop_bits) for p in "NEOMS"}
    assert lengths == {"N": bare, **dict.fromkeys("EOMS", bare + 1.0)}


def test_the_slowest_line_sends_a_bit_a_second() -> None:
    assert character_time_s(1, 8, "E", 1.0) == 11.0
    for baud in (0, -1):
        with pytest.raises(ValueError, match="expected") as refused:
            character_time_s(baud, 8, "E", 1.0)
        assert str(refused.value) == f"baud rate {baud} bit/s, expected above 0"


@pytest.mark.parametrize(
    ("count", "more"), [(0, ""), (64, ""), (65, " and 1 more"), (66, " and 2 more")]
)
def test_of_bytes_beyond_the_sixty_fourth_the_number_is_told(
    count: int, more: str
) -> None:
    data = bytes(range(0x30, 0x70)) + b"..."
    assert shown_bytes(data[:count]) == repr(data[: min(count, 64)]) + more


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("7", 7.0),
        (" +7 ", 7.0),
        ("-7.25", -7.25),
        ("7.", None),
        (".5", None),
        ("1e3", 1000.0),
        ("1E+03", 1000.0),
        ("-1.5E-3", -0.0015),
        ("1e", None),
        ("e3", None),
        ("+", None),
        ("", None),
        ("\t7", None),
        ("7\n", None),
        ("1_000", None),
        ("1,5", None),
        ("0x10", None),
        ("٣", None),
        ("nan", None),
        ("inf", None),
    ],
)
def test_a_number_is_digits_with_a_point_and_an_exponent_between_them(
    text: str, number: float | None
) -> None:
    # IEEE 488.2-1992, 8.7.2 to 8.7.4: NR1, NR2, NR3.
    assert number_from_text(text) == number


def test_no_number_begins_at_the_standard_s_mark_for_overrange() -> None:
    # SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5: 9.9E37 infinity, 9.91E37 not a number.
    assert number_from_text("9.9E37") == OVERRANGE
    assert number_from_text("9.91E37") == pytest.approx(9.91e37)
    assert math.isfinite(OVERRANGE)


@pytest.mark.parametrize("byte", range(256))
def test_a_tab_and_what_ascii_prints_are_text_and_nothing_else(byte: int) -> None:
    line = b"1" + bytes([byte]) + b"2"
    is_text = byte == 0x09 or 0x20 <= byte <= 0x7E
    assert text_from_line(line) == (line.decode("ascii") if is_text else None)


@pytest.mark.parametrize(
    ("line", "text"),
    [
        (b" 1\r\n", "1"),
        (b"\r\n 1 ", "1"),
        (b"\t1\t", "\t1\t"),
        (b"", ""),
        (b" \r\n", ""),
        (b"1\x00", None),
        (b"\x001", None),
    ],
)
def test_around_a_line_blanks_and_line_ends_go_and_nothing_else(
    line: bytes, text: str | None
) -> None:
    assert text_from_line(line) == text
