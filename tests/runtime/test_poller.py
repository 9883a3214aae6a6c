"""Meters on one line, on a pseudo-terminal: turns, faults, late replies."""

import pytest

from daq.records import AFTER_DRAIN, Gap, GapReason, Reading
from daq.runtime.poller import LineState
from tests.runtime.conftest import Wire
from tests.runtime.polled_meters import (
    IMPATIENT_S,
    Answer,
    Meters,
    framed,
    instruments,
    polling,
    reply,
    silent,
)
from tests.runtime.waiting import until


def test_the_meters_frames_are_those_of_the_standard() -> None:
    # Modbus over Serial Line V1.02, Appendix B; Application Protocol V1.1b3, 6.4 (with unit 1).
    assert framed(b"\x02\x07") == b"\x02\x07\x41\x12"
    assert reply(1, 10) == bytes.fromhex("01 04 02 00 0A 39 37")


@pytest.mark.pty
async def test_a_meter_is_asked_and_its_answers_become_readings(wire: Wire) -> None:
    meters = Meters(wire)
    async with polling(instruments(("meter", wire.path, 1))) as heard:
        await heard.until_readings(5)
    assert heard.values()[:5] == [1, 2, 3, 4, 5]
    assert heard.faults() == []
    assert heard.lines == [(LineState.OPEN, "")]
    assert {reading.flags for reading in heard.readings()} == {0}
    times = [reading.at_s for reading in heard.readings()]
    assert times == sorted(set(times))
    # Read input registers, one from address 0, of unit 1.
    assert set(meters.requests) == {framed(bytes((1, 4, 0, 0, 0, 1)))}


def cut(unit: int, number: int) -> bytes:
    return reply(unit, number)[:4]


def garbled(unit: int, number: int) -> bytes:
    said = bytearray(reply(unit, number))
    said[4] ^= 0x10
    return bytes(said)


def overlong(unit: int, number: int) -> bytes:
    return reply(unit, number) + b"\x00"


def foreign(unit: int, number: int) -> bytes:
    return reply(unit + 1, number)


def refused(unit: int, _number: int) -> bytes:
    # Exception 2, illegal data address (Modbus Application Protocol V1.1b3, 7).
    return framed(bytes((unit, 0x84, 2)))


def implausible(unit: int, _number: int) -> bytes:
    return reply(unit, 60_001)


@pytest.mark.pty
@pytest.mark.parametrize(
    ("spoiled", "reason", "flags"),
    [
        pytest.param(silent, GapReason.NO_REPLY, AFTER_DRAIN, marks=pytest.mark.slow),
        pytest.param(cut, GapReason.CUT, AFTER_DRAIN, marks=pytest.mark.slow),
        (garbled, GapReason.GARBLED, AFTER_DRAIN),
        (overlong, GapReason.GARBLED, AFTER_DRAIN),
        (foreign, GapReason.FOREIGN, AFTER_DRAIN),
        (refused, GapReason.REFUSED, 0),
        (implausible, GapReason.IMPLAUSIBLE, 0),
    ],
)
async def test_each_fault_becomes_a_gap_with_its_reason(
    wire: Wire, spoiled: Answer, reason: GapReason, flags: int
) -> None:
    Meters(wire, lambda u, n: (spoiled if n == 2 else reply)(u, n))
    rows = (("meter", wire.path, 1),)
    async with polling(instruments(*rows, timeout_s=IMPATIENT_S)) as heard:
        await heard.until_readings(3)
    assert [gap.reason for gap in heard.faults()] == [reason]
    assert heard.faults()[0].detail
    assert heard.outcomes[1] == heard.faults()[0]
    assert heard.values()[:3] == [1, 3, 4]
    assert [reading.flags for reading in heard.readings()[:3]] == [0, flags, 0]


@pytest.mark.pty
@pytest.mark.slow
@pytest.mark.parametrize("in_time", [0, 4])
async def test_a_late_reply_never_answers_the_next_question(
    wire: Wire, in_time: int
) -> None:
    def answer(unit: int, number: int) -> bytes:
        said = reply(unit, number)
        return said[:in_time] if number == 2 else said

    Meters(wire, answer)

    def rest_comes_late(outcome: Reading | Gap) -> None:
        # The moment at which the time-out has become known is the earliest that is too late.
        if isinstance(outcome, Gap) and outcome.reason is not GapReason.MISSED:
            wire.send(reply(1, 2)[in_time:])

    rows = (("meter", wire.path, 1),)
    meters = instruments(*rows, timeout_s=IMPATIENT_S, worst_s=0.3)
    async with polling(meters) as heard:
        heard.on_outcome = rest_comes_late
        await heard.until_readings(4)
    assert heard.values()[:4] == [1, 3, 4, 5]
    assert [reading.flags for reading in heard.readings()[:3]] == [0, AFTER_DRAIN, 0]
    expected = GapReason.CUT if in_time else GapReason.NO_REPLY
    assert [gap.reason for gap in heard.faults()] == [expected]


@pytest.mark.pty
@pytest.mark.slow
async def test_a_reply_to_a_question_of_somebody_before_us_answers_none_of_ours(
    wire: Wire,
) -> None:
    Meters(wire)
    rows = (("meter", wire.path, 1),)
    async with polling(instruments(*rows, worst_s=0.3)) as heard:
        await until(lambda: heard.states == [LineState.OPEN])
        wire.send(reply(1, 999))
        await heard.until_readings(3)
    assert heard.values()[:3] == [1, 2, 3]
    assert heard.faults() == []


@pytest.mark.pty
async def test_each_of_two_units_on_one_line_gets_its_own_values(wire: Wire) -> None:
    Meters(wire, lambda u, n: reply(u, 1000 * u + n))
    rows = (("first", wire.path, 1), ("second", wire.path, 2))
    async with polling(instruments(*rows)) as heard:
        await heard.until_readings(5, "first")
        await heard.until_readings(5, "second")
    assert heard.values("first")[:4] == [1001, 1002, 1003, 1004]
    assert heard.values("second")[:4] == [2001, 2002, 2003, 2004]
    assert heard.faults("first") == heard.faults("second") == []


@pytest.mark.pty
@pytest.mark.slow
async def test_a_silent_unit_does_not_stop_the_other_one(wire: Wire) -> None:
    Meters(wire, lambda u, n: reply(u, n) if u == 1 else b"")
    rows = (("speaking", wire.path, 1), ("silent", wire.path, 2))
    async with polling(instruments(*rows, timeout_s=IMPATIENT_S)) as heard:
        await until(lambda: len(heard.faults("silent")) >= 3)
        await heard.until_readings(3, "speaking")
    assert {gap.reason for gap in heard.faults("silent")} == {GapReason.NO_REPLY}
    assert heard.readings("silent") == []
    # It had to wait, and what it missed is told of it.
    assert heard.faults("speaking") == []
    assert heard.missed("speaking") != []
    assert heard.values("speaking") == list(range(1, len(heard.values("speaking")) + 1))
