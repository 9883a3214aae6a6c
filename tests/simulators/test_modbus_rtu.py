"""Frames against the examples printed in the two published Modbus documents."""

import pytest

from simulators.wires import modbus_rtu
from simulators.wires.modbus_rtu import answer, crc16, is_intact, with_crc

BOTH = {3, 4}


def asked(body: str, registers: dict[int, int], *, functions: set[int]) -> bytes | None:
    frame = with_crc(bytes.fromhex("01" + body))
    reply = answer(frame, unit=1, functions=functions, registers=registers)
    if reply is None:
        return None
    assert is_intact(reply)
    assert reply[0] == 1
    return reply[1:-2]


def test_the_checksum_is_the_one_of_the_published_example() -> None:
    # Modbus over Serial Line V1.02, appendix B: unit 2, function 7 gives 41 12.
    assert with_crc(b"\x02\x07") == bytes.fromhex("02074112")


def test_the_checksum_meets_the_check_value_of_its_polynomial() -> None:
    # Check value that catalogues of CRCs list for this polynomial and start value.
    assert crc16(b"123456789") == 0x4B37


def test_holding_registers_are_read_as_in_the_published_example() -> None:
    # Modbus Application Protocol V1.1b3, 6.3: registers 108 to 110 hold 555, 0, 100.
    registers = {107: 555, 108: 0, 109: 100}
    reply = asked("03006B0003", registers, functions=BOTH)
    assert reply == bytes.fromhex("0306022B00000064")


def test_input_registers_are_read_as_in_the_published_example() -> None:
    # Modbus Application Protocol V1.1b3, 6.4: input register 9 holds 10.
    assert asked("0400080001", {8: 10}, functions=BOTH) == bytes.fromhex("0402000A")


@pytest.mark.parametrize(
    ("request_body", "reply_body"),
    [
        # Modbus Application Protocol V1.1b3, 7: function + 0x80, then the code.
        ("0600000001", "8601"),  # a function it does not have
        ("0300070002", "8302"),  # runs over the end
        ("0300640001", "8302"),  # nothing there
        ("0300000000", "8303"),  # no register at all
        ("030000007E", "8303"),  # 126 registers, 125 are allowed
        ("03000000", "8303"),  # a request that is too short
    ],
)
def test_a_request_that_cannot_be_met_gets_its_exception(
    request_body: str, reply_body: str
) -> None:
    registers = dict.fromkeys(range(8), 0)
    reply = asked(request_body, registers, functions=BOTH)
    assert reply == bytes.fromhex(reply_body)


def test_a_unit_that_has_only_holding_registers_says_so() -> None:
    assert asked("0400080001", {8: 10}, functions={3}) == bytes.fromhex("8401")


@pytest.mark.parametrize(
    "frame",
    [
        with_crc(bytes.fromhex("020300000001")),  # another unit
        with_crc(bytes.fromhex("000300000001")),  # a broadcast
        bytes.fromhex("0103000000010000"),  # a wrong checksum
        bytes.fromhex("0103"),  # cut short
        b"",
    ],
)
def test_what_is_damaged_or_meant_for_others_gets_no_reply(frame: bytes) -> None:
    assert answer(frame, unit=1, functions=BOTH, registers={0: 1}) is None


def test_a_float_is_two_registers_high_word_first() -> None:
    # IEEE 754: 230 = 1.796875 x 2^7, so sign 0, exponent 134, mantissa 0x660000.
    assert modbus_rtu.float_registers(230.0) == (0x4366, 0x0000)
    assert modbus_rtu.float_registers(float("inf")) == (0x7F80, 0x0000)
    assert modbus_rtu.float_registers(float("nan")) == (0, 0)


def test_a_scaled_register_counts_steps_in_twos_complement() -> None:
    assert modbus_rtu.scaled_register(5.98, step=0.01) == 598
    assert modbus_rtu.scaled_register(-0.5, step=0.1) == 0x10000 - 5
    assert modbus_rtu.scaled_register(float("inf"), step=0.01) == 0xFFFF


def test_a_counter_runs_over_two_registers() -> None:
    assert modbus_rtu.counter_registers(0x0001_0002) == (1, 2)
    assert modbus_rtu.counter_registers(0x1_0000_0003) == (0, 3)


def test_a_readdressed_reply_is_another_units_and_intact() -> None:
    reply = with_crc(bytes.fromhex("0103020007"))
    other = modbus_rtu.readdressed(reply, 9)
    assert is_intact(other)
    assert other[0] == 9
    assert other[1:-2] == reply[1:-2]
