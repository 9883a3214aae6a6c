"""Modbus ASCII: what is asked, what is a reading, what is a gap; and another party's frames."""

from collections.abc import Iterable
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerAscii
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersResponse,
    ReadInputRegistersResponse,
)

from daq.protocols.modbus import ModbusAscii, RegisterField
from daq.records import Gap, GapReason, Reading
from tests.core.protocols.modbus_asked import MODBUS, STEADY, after_deadline, answered

SERVER = FramerAscii(DecodePDU(is_server=True))
TIMEOUT_S = 0.3
CHAR_S = 0.001
ASCII = {v["id"]: v["frame"].encode() + b"\r\n" for v in MODBUS["ascii"]}
REQUEST = ASCII["read holding registers, request"]
REPLY = ASCII["read holding registers, reply"]


def meter(*fields: RegisterField, unit: int = 17) -> ModbusAscii:
    return ModbusAscii(
        instrument="meter",
        unit=unit,
        fields=fields,
        reply_timeout_s=TIMEOUT_S,
        char_s=CHAR_S,
    )


def published() -> ModbusAscii:
    return meter(*(RegisterField(f"r{i}", 3, i, "u16") for i in (107, 108, 109)))


def frame_of(body: bytes) -> bytes:
    """By hand: the sum of all bytes and the LRC is a multiple of 256 (V1.02, 6.2.1)."""
    lrc = (256 - sum(body) % 256) % 256
    return b":" + (body + bytes((lrc,))).hex().upper().encode() + b"\r\n"


def outcome_of(protocol: ModbusAscii, *chunks: bytes) -> Reading | Gap:
    outcome = answered(protocol, chunks) or after_deadline(protocol)
    assert outcome is not None
    assert protocol.deadline is None
    return outcome


def gap_of(*chunks: bytes) -> Gap:
    gap = outcome_of(published(), *chunks)
    assert isinstance(gap, Gap)
    return gap


# ---- what is asked


def test_the_request_is_the_published_one() -> None:
    assert published().query(10.0) == REQUEST


def test_the_deadline_allows_for_the_time_of_the_whole_reply() -> None:
    protocol = published()
    protocol.query(10.0)
    # 17 characters out, 23 back.
    assert protocol.deadline == pytest.approx(10.0 + 0.017 + TIMEOUT_S + 0.023)


def test_several_blocks_are_one_reading() -> None:
    protocol = meter(RegisterField("a", 3, 0, "u16"), RegisterField("b", 4, 9, "u16"))
    assert protocol.query(10.0) == frame_of(bytes.fromhex("110300000001"))
    protocol.feed(frame_of(bytes.fromhex("1103020007")), 10.1)
    assert protocol.next_reading() is None
    assert protocol.query(10.1) == frame_of(bytes.fromhex("110400090001"))
    protocol.feed(frame_of(bytes.fromhex("1104020008")), 10.2)
    outcome = protocol.next_reading()
    assert isinstance(outcome, Reading)
    assert outcome.values == (7.0, 8.0)


@pytest.mark.parametrize("unit", [0, 248])
def test_a_unit_that_cannot_answer_is_refused(unit: int) -> None:
    with pytest.raises(ValueError, match=f"unit {unit}, expected 1 to 247"):
        meter(RegisterField("a", 3, 0, "u16"), unit=unit)


# ---- what is a reading


def test_the_reply_gives_its_registers() -> None:
    outcome = outcome_of(published(), REPLY)
    assert isinstance(outcome, Reading)
    assert outcome.values == (555.0, 0.0, 100.0)


def test_small_digits_are_read_too() -> None:
    assert isinstance(outcome_of(published(), REPLY.lower()), Reading)


@STEADY
@given(st.lists(st.integers(1, len(REPLY) - 1), max_size=10))
def test_a_reply_cut_anywhere_into_chunks_is_the_same_reading(cuts: list[int]) -> None:
    edges = sorted({0, *cuts, len(REPLY)})
    outcome = outcome_of(published(), *(REPLY[a:b] for a, b in pairwise(edges)))
    assert isinstance(outcome, Reading)
    assert outcome.values == (555.0, 0.0, 100.0)


@pytest.mark.parametrize("noise", [b"\x00", b"\xff\xff", b"110306", b"\r\n"])
def test_what_stands_before_the_colon_is_passed_over(noise: bytes) -> None:
    # V1.02, 2.5.2.1: a receiver waits for the colon.
    assert isinstance(outcome_of(published(), noise + REPLY), Reading)
    assert isinstance(outcome_of(published(), noise, REPLY), Reading)


# ---- what is a gap


def test_no_reply_is_told() -> None:
    gap = gap_of()
    assert (gap.reason, gap.detail) == (GapReason.NO_REPLY, "no reply within 0.30 s")


@pytest.mark.parametrize("length", range(1, len(REPLY)))
def test_a_reply_cut_short_says_how_much_came(length: int) -> None:
    gap = gap_of(REPLY[:length])
    assert gap.reason is GapReason.CUT
    assert gap.detail.startswith(f"{length} of 23 characters within 0.30 s: b':")


def test_noise_without_a_colon_is_garbled() -> None:
    gap = gap_of(b"\x00\x00")
    assert gap.reason is GapReason.GARBLED
    assert gap.detail == "no colon within 0.30 s in b'\\x00\\x00'"


@pytest.mark.parametrize("bit", range(8 * len(REPLY)))
def test_no_flipped_bit_gives_another_value(bit: int) -> None:
    spoiled = bytearray(REPLY)
    spoiled[bit // 8] ^= 1 << bit % 8
    outcome = outcome_of(published(), bytes(spoiled))
    # Bit 5 of A to F only makes the digit small.
    if bytes(spoiled).upper() != REPLY:
        assert isinstance(outcome, Gap)
        assert outcome.reason in (GapReason.GARBLED, GapReason.CUT)


@pytest.mark.parametrize(
    ("chunks", "reason", "detail"),
    [
        ([REQUEST], GapReason.FOREIGN, "the line sends the request back"),
        ([REQUEST + REPLY], GapReason.FOREIGN, "the line sends the request back"),
        ([REPLY + REPLY], GapReason.GARBLED, "a second frame begun"),
        ([REPLY[:9], REPLY], GapReason.GARBLED, "a second frame begun"),
        ([REPLY + b"\x00"], GapReason.GARBLED, "1 bytes after a whole frame"),
        ([b":11 30602\r\n"], GapReason.GARBLED, "no pairs of hexadecimal digits"),
        ([b":1103EC\r\n"], GapReason.GARBLED, "no pairs of hexadecimal digits"),
        ([b":\r\n"], GapReason.GARBLED, "no pairs of hexadecimal digits"),
        ([REPLY[:-4] + b"56\r\n"], GapReason.GARBLED, "checksum 0x56, expected 0x55"),
        ([b":" + b"0" * 600], GapReason.GARBLED, "more than 513 bytes"),
        ([frame_of(bytes.fromhex("118302"))], GapReason.REFUSED,
         "exception 2 (illegal data address) to function 3"),
        ([frame_of(bytes.fromhex("120306022B00000064"))], GapReason.FOREIGN, "reply of unit 18, expected 17"),
        ([frame_of(bytes.fromhex("110406022B00000064"))], GapReason.FOREIGN, "reply to function 4, expected 3"),
        ([frame_of(bytes.fromhex("1103020007"))], GapReason.FOREIGN, "byte count 2, expected 6"),
        ([frame_of(bytes.fromhex("110306022B0000"))], GapReason.GARBLED, "7 bytes, expected 9"),
    ],
)  # fmt: skip
def test_what_is_no_reply_is_a_gap_with_its_reason(
    chunks: Iterable[bytes], reason: GapReason, detail: str
) -> None:
    gap = gap_of(*chunks)
    assert gap.reason is reason
    assert gap.detail.startswith(detail)


@STEADY
@given(st.lists(st.binary(max_size=40), max_size=8))
def test_random_bytes_never_raise_and_never_pass(chunks: list[bytes]) -> None:
    outcome = outcome_of(published(), *chunks)
    if isinstance(outcome, Reading):
        assert REPLY[:7] in b"".join(chunks).upper()


# ---- another party


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
    answers: tuple[tuple[int, Any], ...] = (
        (3, ReadHoldingRegistersResponse),
        (4, ReadInputRegistersResponse),
    )
    for function, answer in answers:
        fields = [
            RegisterField(f"r{i}", function, 40 + i, "u16")
            for i in range(len(registers))
        ]
        frame = SERVER.buildFrame(answer(registers=registers, dev_id=unit))
        outcome = outcome_of(meter(*fields, unit=unit), frame)
        assert isinstance(outcome, Reading)
        assert outcome.values == tuple(registers)


def test_an_exception_of_the_other_party_is_a_refusal() -> None:
    frame = SERVER.buildFrame(ExceptionResponse(3, 6, device_id=17))
    gap = gap_of(frame)
    assert gap.reason is GapReason.REFUSED
    assert gap.detail == "exception 6 (server device busy) to function 3"
