"""Checksums: published check values, another party's arithmetic, and lines that end in one."""

import json
from pathlib import Path
from typing import Any

import pytest
from crc import Calculator, Configuration
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.checksums import NAMED, CrcParameters, LineChecksum, crc, lrc8, sum8, xor8
from daq.framing import crc16_modbus

VECTORS = Path(__file__).parents[1] / "vectors"
CHECKS = json.loads((VECTORS / "checksums.json").read_text(encoding="utf-8"))["crc"]
DIGITS = b"123456789"
STEADY = settings(derandomize=True, deadline=None, max_examples=100)


def _parameters(vector: dict[str, Any]) -> CrcParameters:
    return CrcParameters(
        vector["width"],
        int(vector["polynomial"], 16),
        initial=int(vector["initial"], 16),
        reflected=vector["reflected"],
        final_xor=int(vector["final_xor"], 16),
    )


def _by_the_other_party(parameters: CrcParameters, data: bytes) -> int:
    return Calculator(
        Configuration(
            width=parameters.width,
            polynomial=parameters.polynomial,
            init_value=parameters.initial,
            final_xor_value=parameters.final_xor,
            reverse_input=parameters.reflected,
            reverse_output=parameters.reflected,
        )
    ).checksum(data)


@pytest.mark.parametrize("vector", CHECKS, ids=lambda v: v["id"])
def test_a_crc_meets_its_published_check_value(vector: dict[str, Any]) -> None:
    parameters = _parameters(vector)
    checksum = crc(parameters)
    assert checksum.of(DIGITS) == int(vector["check"], 16)
    assert checksum.size == vector["width"] // 8
    assert _by_the_other_party(parameters, DIGITS) == int(vector["check"], 16)


@STEADY
@given(
    width=st.sampled_from([8, 16]),
    polynomial=st.integers(0, 0xFFFF),
    initial=st.integers(0, 0xFFFF),
    final_xor=st.integers(0, 0xFFFF),
    reflected=st.booleans(),
    data=st.binary(max_size=40),
)
def test_any_crc_agrees_with_the_other_party(
    width: int,
    polynomial: int,
    initial: int,
    final_xor: int,
    data: bytes,
    *,
    reflected: bool,
) -> None:
    mask = (1 << width) - 1
    parameters = CrcParameters(
        width,
        polynomial & mask | 1,
        initial=initial & mask,
        reflected=reflected,
        final_xor=final_xor & mask,
    )
    assert crc(parameters).of(data) == _by_the_other_party(parameters, data)


@STEADY
@given(st.binary(max_size=60))
def test_the_named_crc_of_modbus_is_the_one_of_its_frames(data: bytes) -> None:
    assert NAMED["crc16-modbus"].of(data) == crc16_modbus(data)


@pytest.mark.parametrize(
    ("width", "more", "said"),
    [
        (12, {}, "width 12, expected 8 or 16"),
        (8, {"polynomial": 0x131}, "polynomial 0x131, expected 0 to 0xFF"),
        (8, {"initial": 0x100}, "initial 0x100, expected 0 to 0xFF"),
        (16, {"final_xor": -1}, "final_xor 0x-1, expected 0 to 0xFFFF"),
        (16, {"polynomial": 0xA000}, "polynomial 0xA000 is even"),
    ],
)
def test_parameters_that_do_not_fit_are_refused(
    width: int, more: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        CrcParameters(width, **({"polynomial": 0x31} | more))


@pytest.mark.parametrize(
    ("data", "expected_xor", "expected_sum", "expected_lrc"),
    [
        (b"", 0x00, 0x00, 0x00),
        # 0x31 to 0x39: their sum is 9 * 0x35 = 0x1DD; pairs 2^3, 4^5, 6^7, 8^9 are 1 each, so 0x31 is left.
        (DIGITS, 0x31, 0xDD, 0x23),
        (b"\xff\xff", 0x00, 0xFE, 0x02),
    ],
)
def test_simple_checksums_are_those_by_hand(
    data: bytes, expected_xor: int, expected_sum: int, expected_lrc: int
) -> None:
    assert (xor8(data), sum8(data), lrc8(data)) == (
        *(expected_xor, expected_sum),
        expected_lrc,
    )


# ---- at the end of a line


NMEA = LineChecksum(NAMED["xor8"], start=b"$", separator=b"*")
# A sentence with its checksum as NMEA 0183 is often quoted (from memory; the exclusive-or is checked here).
SENTENCE = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"


def test_a_line_with_the_right_checksum_is_split() -> None:
    assert NMEA.fault_in(SENTENCE) == ""
    covered = NMEA.covered_in(SENTENCE)
    assert covered == SENTENCE[1:-5]
    assert NMEA.digits_of(covered) == b"47"


def test_small_digits_will_do_as_well() -> None:
    line = LineChecksum(NAMED["lrc8"], separator=b"")
    # 0x100 - 0x31 - 0x32 + ... by hand: '1' + '2' = 0x63, so 0x9D.
    assert line.fault_in(b"129d") == ""
    assert line.covered_in(b"129D\r\n") == b"12"


def test_blanks_before_a_line_are_covered_and_those_behind_it_are_not() -> None:
    line = LineChecksum(NAMED["sum8"])
    # ' ' 0x20 + '1' 0x31 = 0x51.
    assert line.fault_in(b" 1*51 \r\n") == ""
    assert line.covered_in(b" 1*51 \r\n") == b" 1"


def test_a_checksum_of_two_bytes_has_four_digits() -> None:
    line = LineChecksum(NAMED["crc16-modbus"])
    # Modbus over Serial Line V1.02, Appendix B: 02 07 gives 0x1241.
    assert line.digits_of(b"\x02\x07") == b"1241"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"$GPX*00\r\n", "checksum '00', expected '4F'"),
        (b"$GPX\r\n", "no checksum, expected '$' first, '*' and 2 digits at the end"),
        (b"GPX*4F\r\n", "no checksum, expected '$' first, '*' and 2 digits at the end"),
        (b"*4F", "no checksum, expected '$' first, '*' and 2 digits at the end"),
        (b"", "no checksum, expected '$' first, '*' and 2 digits at the end"),
    ],
)
def test_what_is_wrong_with_a_lines_checksum_is_told(line: bytes, said: str) -> None:
    # 'G' 0x47 ^ 'P' 0x50 ^ 'X' 0x58 = 0x4F.
    assert NMEA.fault_in(line) == said


@STEADY
@given(st.binary(max_size=30))
def test_no_bytes_make_a_checksum_raise(line: bytes) -> None:
    covered = NMEA.covered_in(line)
    assert (covered is None) <= bool(NMEA.fault_in(line))


def test_no_flipped_bit_passes() -> None:
    for place in range(8 * (len(SENTENCE) - 2)):
        spoiled = bytearray(SENTENCE)
        spoiled[place // 8] ^= 1 << place % 8
        # Digits may be small: bit 5 turns A to F into a to f, which is the same number.
        if bytes(spoiled).upper() != SENTENCE:
            assert NMEA.fault_in(bytes(spoiled))
