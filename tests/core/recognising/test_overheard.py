"""Modbus between others: known by its checksums, and by nothing less."""

import random

import pytest

from daq.framing import append_crc
from daq.recognising.asking import Mode, parse_registers, read_request
from daq.recognising.framings import parse_framing
from daq.recognising.heard import Heard, judge_heard
from daq.recognising.overheard import overheard_lines, overheard_requests
from tests.hidden_meters import ascii_frame

REQUEST = bytes.fromhex("11 04 00 08 00 01")
REPLY = bytes.fromhex("11 04 02 00 0A")
POLL = ascii_frame(REQUEST) + ascii_frame(REPLY)


def test_a_request_and_its_reply_in_ascii_are_those_of_the_standard() -> None:
    # Modbus over Serial Line V1.02, 2.5.2: colon, digits, LRC, line end.
    request = read_request(0x11, 4, 8, 1, Mode.ASCII)
    assert request == b":110400080001E2\r\n"
    reply = parse_registers(b":110402000ADF\r\n", request, Mode.ASCII)
    assert reply is not None
    assert reply.words == (10,)
    refused = parse_registers(ascii_frame(b"\x11\x84\x02"), request, Mode.ASCII)
    assert refused is not None
    assert refused.refusal == 2


@pytest.mark.parametrize(
    "spoiled",
    [
        b":110402000ADE\r\n",
        b"110402000ADF\r\n",
        b":110402000ADF\r",
        b":11 0402000ADF\r\n",
        b":110402000ADF\r\n:110402000ADF\r\n",
        b":120402000ADE\r\n",
        b"",
    ],
)
def test_a_spoiled_reply_in_ascii_is_none(spoiled: bytes) -> None:
    request = read_request(0x11, 4, 8, 1, Mode.ASCII)
    assert parse_registers(spoiled, request, Mode.ASCII) is None


def test_three_sound_frames_are_modbus_ascii_and_no_meters_lines() -> None:
    guess = judge_heard(Heard(parse_framing(9600, "7E1"), POLL * 3))
    assert guess.is_accepted
    assert guess.shape is None
    assert guess.bus is not None
    assert (guess.bus.mode, guess.bus.units) == (Mode.ASCII, (0x11,))


def test_two_frames_or_wrong_checksums_are_not_believed() -> None:
    assert overheard_lines(POLL + POLL[:5]) is None
    assert overheard_lines(POLL.replace(b"E2", b"E3").replace(b"DF", b"DE") * 4) is None


def test_requests_of_rtu_are_found_between_replies() -> None:
    bus = overheard_requests(b"\x00" + (append_crc(REQUEST) + append_crc(REPLY)) * 3)
    assert bus is not None
    assert (bus.mode, bus.units, bus.right) == (Mode.RTU, (0x11,), 3)


@pytest.mark.parametrize("seed", range(10))
def test_random_bytes_are_no_requests(seed: int) -> None:
    data = random.Random(seed).randbytes(5000)  # noqa: S311 - rubbish, no secret
    assert overheard_requests(data) is None
