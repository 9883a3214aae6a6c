"""The arithmetic under every protocol, against published figures."""

import doctest
import inspect
import json
from pathlib import Path
from types import FunctionType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq import framing
from daq.framing import (
    OVERRANGE,
    append_crc,
    character_bits,
    character_time_s,
    crc16_modbus,
    modbus_silence_s,
    number_from_text,
    shown_bytes,
    text_from_line,
)

VECTORS = Path(__file__).parent.parent / "vectors"
MODBUS = json.loads((VECTORS / "modbus.json").read_text(encoding="utf-8"))
NUMBERS = json.loads((VECTORS / "numbers.json").read_text(encoding="utf-8"))
STEADY = settings(derandomize=True, deadline=None, max_examples=200)


@pytest.mark.parametrize("vector", MODBUS["crc"], ids=lambda v: v["id"])
def test_the_checksum_is_the_published_one(vector: dict[str, str]) -> None:
    assert crc16_modbus(bytes.fromhex(vector["data"])) == int(vector["crc"], 16)


@pytest.mark.parametrize("vector", MODBUS["frames"], ids=lambda v: v["id"])
def test_a_published_frame_ends_in_its_checksum(vector: dict[str, str]) -> None:
    frame = bytes.fromhex(vector["frame"])
    assert append_crc(frame[:-2]) == frame


@STEADY
@given(st.binary(max_size=254))
def test_the_checksum_over_a_frame_with_its_own_checksum_is_zero(data: bytes) -> None:
    # A property of every CRC without a final inversion.
    assert crc16_modbus(append_crc(data)) == 0


@STEADY
@given(st.binary(min_size=1, max_size=254), st.integers(min_value=0))
def test_the_checksum_finds_every_single_flipped_bit(data: bytes, where: int) -> None:
    frame = bytearray(append_crc(data))
    bit = where % (8 * len(frame))
    frame[bit // 8] ^= 1 << (bit % 8)
    assert crc16_modbus(bytes(frame)) != 0


@pytest.mark.parametrize("vector", MODBUS["silence"], ids=lambda v: str(v["baud"]))
def test_the_silence_before_a_frame_is_the_published_one(
    vector: dict[str, float],
) -> None:
    silence_s = modbus_silence_s(int(vector["baud"]), vector["char_bits"])
    # The document's figures have four decimals of a millisecond.
    assert silence_s * 1e3 == pytest.approx(vector["t35_ms"], abs=5e-5)


def test_a_character_counts_start_parity_and_stop_bits() -> None:
    # By hand: start + data + parity + stop.
    assert character_bits(8, "E", 1) == 11
    assert character_bits(8, "N", 1) == 10
    assert character_bits(7, "O", 2) == 11
    assert character_bits(5, "N", 1.5) == 7.5


def test_a_character_at_9600_with_parity_takes_eleven_bit_times() -> None:
    # 1.5 characters are the 1.7188 ms of Modbus over Serial Line, 2.5.1.1; tolerance:
    # half of its last decimal (11 / 9600 s is exactly on the half) and a rounding.
    assert 1.5e3 * character_time_s(9600, 8, "E", 1) == pytest.approx(
        1.7188, abs=5.1e-5
    )


@pytest.mark.parametrize(
    ("bits", "parity", "stop_bits", "named"),
    [
        (9, "N", 1, "data bits 9"),
        (8, "X", 1, "'X'"),
        (8, "", 1, "''"),
        (8, "N", 3, "3"),
    ],
)
def test_an_impossible_character_is_refused_by_name(
    bits: int, parity: str, stop_bits: float, named: str
) -> None:
    with pytest.raises(ValueError, match=named):
        character_bits(bits, parity, stop_bits)


def test_a_line_without_speed_is_refused() -> None:
    with pytest.raises(ValueError, match="baud rate 0"):
        character_time_s(0, 8, "N", 1)
    with pytest.raises(ValueError, match="above 0"):
        modbus_silence_s(0, 11)


@pytest.mark.parametrize("vector", NUMBERS["numbers"], ids=lambda v: v["text"])
def test_each_form_of_a_number_is_read(vector: dict[str, str | float]) -> None:
    # Decimal text and the decimal in the file round to the same double: no tolerance.
    assert number_from_text(str(vector["text"])) == vector["value"]


@pytest.mark.parametrize("text", NUMBERS["not_numbers"], ids=ascii)
def test_what_is_no_number_of_the_standard_is_refused(text: str) -> None:
    assert number_from_text(text) is None


@pytest.mark.parametrize("vector", NUMBERS["unusable"], ids=lambda v: v["text"])
def test_the_marks_for_overrange_reach_the_limit(vector: dict[str, str]) -> None:
    number = number_from_text(vector["text"])
    assert number is not None
    assert abs(number) >= OVERRANGE


def test_a_line_of_plain_text_loses_only_what_is_around_it() -> None:
    assert text_from_line(b" 1.5,\t2.5 \r") == "1.5,\t2.5"


@pytest.mark.parametrize(
    "line", [b"1\x005", b"1\r5", b"1\n5", b"1\x7f", b"\xb15", b"\x1b[1"]
)
def test_a_line_with_a_control_or_foreign_byte_is_no_text(line: bytes) -> None:
    assert text_from_line(line) is None


def test_a_message_shows_bytes_as_python_writes_them() -> None:
    assert shown_bytes(b"\x01A\n") == r"b'\x01A\n'"


def test_a_message_shows_64_bytes_and_counts_the_others() -> None:
    assert shown_bytes(b"a" * 64) == repr(b"a" * 64)
    assert shown_bytes(b"a" * 70) == repr(b"a" * 64) + " and 6 more"


@pytest.mark.parametrize(
    "function",
    [crc16_modbus, character_bits, character_time_s, modbus_silence_s],
    ids=lambda f: f.__name__,
)
def test_each_formula_names_its_units_and_its_source(function: FunctionType) -> None:
    text = inspect.getdoc(function) or ""
    arguments = text.partition("Args:")[2].partition("\n\n")[0]
    for name in inspect.signature(function).parameters:
        line = next(line for line in arguments.splitlines() if f"{name}:" in line)
        assert "[" in line
    assert "Source:" in text


def test_the_examples_in_the_docstrings_are_true() -> None:

    assert doctest.testmod(framing).failed == 0
