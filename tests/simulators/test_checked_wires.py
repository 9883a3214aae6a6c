"""The meters' side of ASCII frames, addressed lines and binary frames."""

import pytest

from simulators.wires import addressed_lines, frames, modbus_ascii

REGISTERS = {107: 555, 108: 0, 109: 100}


def asked(frame: bytes) -> bytes | None:
    return modbus_ascii.answer(frame, unit=17, functions={3}, registers=REGISTERS)


def test_registers_are_read_in_ascii_frames() -> None:
    # The frames of tests/vectors/modbus.json; their LRCs are by hand there.
    reply = asked(b":1103006B00037E\r\n")
    assert reply == b":110306022B0000006455\r\n"
    assert asked(b"\x00:11:1103006b00037e\r\n") == reply


def test_an_exception_is_framed_too() -> None:
    # 11 + 83 + 02 = 96, 100 - 96 = 6A.
    assert asked(modbus_ascii.framed(b"\x11\x03\x00\x00\x00\x01")) == b":1183026A\r\n"


@pytest.mark.parametrize(
    "frame",
    [
        b":1103006B00037F\r\n",
        b":1203006B00037D\r\n",
        b":1103006B00037E\n",
        b":1103006B0003 7E\r\n",
        b"1103006B00037E\r\n",
        b":11\r\n",
        b"",
    ],
)
def test_what_is_damaged_or_meant_for_others_gets_no_reply(frame: bytes) -> None:
    assert asked(frame) is None


def test_a_readdressed_reply_is_another_units_and_intact() -> None:
    other = modbus_ascii.readdressed(b":110306022B0000006455\r\n", 18)
    assert modbus_ascii.body_of(other) == bytes.fromhex("120306022B00000064")
    assert modbus_ascii.readdressed(b"rubbish", 18) == b""


def test_a_line_is_answered_by_the_meter_that_it_names() -> None:
    # '0' 0x30 ^ '1' 0x31 ^ 'P' 0x50 = 0x51.
    request = b"#01P*51\r\n"
    # 0x30 ^ 0x31 ^ ',' 0x2C ^ '+' 0x2B ^ '1' 0x31 ^ '2' 0x32 ^ '.' 0x2E ^ '5' 0x35 = 0x1E.
    assert addressed_lines.answer(request, unit=1, value="+12.5") == b"#01,+12.5*1E\r\n"
    assert addressed_lines.answer(request, unit=2, value="+12.5") is None
    assert addressed_lines.answer(b"#01P*52\r\n", unit=1, value="+12.5") is None


def test_beyond_its_range_an_addressed_meter_says_so_in_numbers() -> None:
    reply = addressed_lines.answer(b"#01P*51\r\n", unit=1, value="OL")
    assert reply is not None
    assert reply.startswith(b"#01,+9.9E37*")


def test_a_readdressed_line_has_its_own_checksum() -> None:
    # The address differs by '1' ^ '2' = 0x03, and so does the checksum: 0x1E ^ 0x03.
    other = addressed_lines.readdressed(b"#01,+12.5*1E\r\n", 2)
    assert other == b"#02,+12.5*1D\r\n"


def test_the_crc_of_a_frame_meets_its_check_value() -> None:
    # tests/vectors/checksums.json, CRC-8/SMBUS.
    assert frames.crc8(b"123456789") == 0xF4


@pytest.mark.parametrize(
    ("value", "body"),
    [
        (12.34, "00 02 04 D2 00"),
        (-0.05, "80 02 00 05 00"),
        (700.0, "01 02 00 00 00"),
        (float("inf"), "01 02 00 00 00"),
        (float("nan"), "01 02 00 00 00"),
    ],
)
def test_a_frame_holds_sign_point_and_number(value: float, body: str) -> None:
    frame = frames.encode_frame(value, decimals=2)
    assert frame[:-1] == bytes.fromhex("55 AA" + body)
    assert frames.crc8(frame[2:]) == 0
