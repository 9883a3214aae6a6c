"""Limits and forms of what lines and logs are made of, each side of them."""

import pytest

from daq.checksums import NAMED, CrcParameters, LineChecksum, crc
from daq.delimited import parse_log
from daq.delimited.figures import Numbers
from daq.errors import InputError
from daq.framing import modbus_silence_s

DIGITS = b"123456789"
STARRED = LineChecksum(NAMED["xor8"], start=b"$")


# Check values as catalogues of CRCs give them: CRC-8/SMBUS, CRC-16/XMODEM and CRC-16/MODBUS over "123456789".
@pytest.mark.parametrize(
    ("parameters", "digits"),
    [
        (CrcParameters(8, 0x07), b"F4"),
        (CrcParameters(16, 0x1021), b"31C3"),
        (CrcParameters(16, 0x8005, initial=0xFFFF, reflected=True), b"4B37"),
    ],
)
def test_a_checksum_of_ones_own_parameters_closes_a_line(
    parameters: CrcParameters, digits: bytes
) -> None:
    line = LineChecksum(crc(parameters))
    assert line.digits_of(DIGITS) == digits
    assert line.fault_in(DIGITS + b"*" + digits + b"\r\n") == ""


def test_a_line_may_hold_nothing_but_its_checksum() -> None:
    # The exclusive-or of no bytes is 0.
    assert STARRED.covered_in(b"$*00\r\n") == b""
    assert STARRED.fault_in(b"$*00\r\n") == ""


def test_a_tab_behind_the_digits_is_no_blank() -> None:
    # 'G' 0x47 ^ 'P' 0x50 ^ 'X' 0x58 = 0x4F.
    assert STARRED.fault_in(b"$GPX*4F \r\n") == ""
    assert STARRED.fault_in(b"$GPX*4F\t\r\n").startswith("no checksum, expected '$'")


def test_the_silence_of_the_slowest_line_is_three_and_a_half_of_its_characters() -> (
    None
):
    # Modbus over Serial Line V1.02, 2.5.1.1: 3.5 characters.
    assert modbus_silence_s(1, 1.0) == 3.5
    assert modbus_silence_s(19_200, 11.0) == pytest.approx(3.5 * 11.0 / 19_200)
    assert modbus_silence_s(19_201, 11.0) == 1.75e-3


@pytest.mark.parametrize(("baud", "char_bits"), [(0, 11.0), (9600, 0.0)])
def test_no_silence_is_told_of_a_line_that_cannot_be(
    baud: int, char_bits: float
) -> None:
    with pytest.raises(ValueError, match=f"{baud} bit/s, {char_bits} bits a character"):
        modbus_silence_s(baud, char_bits)


def test_a_number_with_a_comma_and_a_point_has_a_thousands_separator() -> None:
    with pytest.raises(ValueError, match=r"got '1,234.5'.*no thousands separator$"):
        Numbers(";").parse("1,234.5")


def test_numbers_of_up_to_forty_one_digits_tell_their_step() -> None:
    # All go by 20 of the last digits; one digit more, and they tell no more than that digit.
    small = ("20e-20", "40e-20", "80e-20")
    for large, step in (("2e20", 20e-20), ("2e21", 1e-20)):
        numbers = Numbers(",")
        for text in (*small, large):
            numbers.parse(text)
        assert numbers.smallest_step == pytest.approx(step, rel=1e-9, abs=0.0)


def test_columns_are_parted_by_what_half_of_the_lines_hold() -> None:
    with pytest.raises(InputError, match=r"line 2, v: missing, got 1 of 2 columns"):
        parse_log(b"t_s;v\nstarted\n", source="fan.csv")
