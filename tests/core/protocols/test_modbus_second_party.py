"""Modbus RTU against an independent implementation, byte for byte, without a wire.

pymodbus decodes what we ask and encodes what we read; neither side knows the other.
"""

from typing import Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersResponse,
    ReadInputRegistersResponse,
)

from daq.protocols.modbus import ModbusRtu, RegisterField
from daq.records import Gap, GapReason, Reading

STEADY = settings(derandomize=True, deadline=None, max_examples=100)
SERVER = FramerRTU(DecodePDU(is_server=True))
DATATYPE = ModbusClientMixin.DATATYPE


def meter(*fields: RegisterField, unit: int) -> ModbusRtu:
    return ModbusRtu(
        instrument="meter", unit=unit, fields=fields, reply_timeout_s=0.3, char_s=0.001
    )


def read(protocol: ModbusRtu, frame: bytes) -> Reading | Gap | None:
    protocol.query(10.0)
    protocol.feed(frame, 10.2)
    return protocol.next_reading()


@STEADY
@given(
    unit=st.integers(1, 247),
    function=st.sampled_from([3, 4]),
    address=st.integers(0, 65411),
    count=st.integers(1, 125),
)
def test_the_other_party_understands_what_is_asked(
    unit: int, function: int, address: int, count: int
) -> None:
    fields = [
        RegisterField(f"r{i}", function, address + i, "u16") for i in range(count)
    ]
    request = meter(*fields, unit=unit).query(10.0)
    used, pdu = SERVER.handleFrame(request, unit, 0)
    assert used == len(request)
    assert pdu is not None
    assert (pdu.dev_id, pdu.function_code) == (unit, function)
    assert (pdu.address, pdu.count) == (address, count)


@STEADY
@given(
    unit=st.integers(1, 247),
    registers=st.lists(st.integers(0, 65535), min_size=1, max_size=125),
)
def test_what_the_other_party_answers_is_read(unit: int, registers: list[int]) -> None:
    for function, answer in (
        (3, ReadHoldingRegistersResponse),
        (4, ReadInputRegistersResponse),
    ):
        fields = [
            RegisterField(f"r{i}", function, 40 + i, "u16")
            for i in range(len(registers))
        ]
        frame = SERVER.buildFrame(answer(registers=registers, dev_id=unit))
        outcome = read(meter(*fields, unit=unit), frame)
        assert isinstance(outcome, Reading)
        assert outcome.values == tuple(registers)


@pytest.mark.parametrize(("word_order", "ours"), [("big", "ABCD"), ("little", "CDAB")])
@STEADY
@given(value=st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_floats_in_both_word_orders_agree(
    word_order: Literal["big", "little"], ours: Literal["ABCD", "CDAB"], value: float
) -> None:
    registers = ModbusClientMixin.convert_to_registers(
        value, DATATYPE.FLOAT32, word_order=word_order
    )
    frame = SERVER.buildFrame(ReadInputRegistersResponse(registers=registers, dev_id=7))
    outcome = read(meter(RegisterField("v", 4, 0, "f32", ours), unit=7), frame)
    assert isinstance(outcome, Reading)
    # Every binary32 is a double: no tolerance.
    assert outcome.values == (value,)


@pytest.mark.parametrize(("word_order", "ours"), [("big", "ABCD"), ("little", "CDAB")])
@STEADY
@given(value=st.integers(-(2**31), 2**31 - 1))
def test_signed_integers_in_both_word_orders_agree(
    word_order: Literal["big", "little"], ours: Literal["ABCD", "CDAB"], value: int
) -> None:
    registers = ModbusClientMixin.convert_to_registers(
        value, DATATYPE.INT32, word_order=word_order
    )
    frame = SERVER.buildFrame(
        ReadHoldingRegistersResponse(registers=registers, dev_id=7)
    )
    outcome = read(meter(RegisterField("v", 3, 0, "s32", ours), unit=7), frame)
    assert isinstance(outcome, Reading)
    assert outcome.values == (value,)


@pytest.mark.parametrize("code", [1, 2, 3, 4, 6])
def test_an_exception_of_the_other_party_is_a_refusal(code: int) -> None:
    answer = ExceptionResponse(3, code, device_id=9)
    frame = SERVER.buildFrame(answer)
    gap = read(meter(RegisterField("v", 3, 0, "u16"), unit=9), frame)
    assert isinstance(gap, Gap)
    assert gap.reason is GapReason.REFUSED
    assert gap.detail.startswith(f"exception {code} (")
