"""What the wire benchmark counts as a poll, and which figures it refuses."""

import pytest

from daq.records import Gap, GapReason, Reading
from tests.benchmarks.meter_process import Manners, Wire
from tests.benchmarks.wire import PacedRounds
from tests.benchmarks.wire_loops import REGISTERS, Measured, Stopwatch

WARM_UP = 19
"""Readings that are left out before the first stamp."""

READING = Reading("meter", 0.0, (1.0,))


def gap(reason: GapReason) -> Gap:
    return Gap("meter", 0.0, reason, "for the test")


async def test_only_readings_are_polls_and_slots_passed_over_are_not() -> None:
    watch = Stopwatch(polls=3)
    for _ in range(WARM_UP + 3):
        watch.take(READING)
        watch.take(gap(GapReason.MISSED))
    assert not watch.done.is_set()
    watch.take(READING)
    assert watch.done.is_set()
    # Three polls lie between four readings.
    assert len(watch.measured().cycles_s) == 3


@pytest.mark.parametrize("reason", [r for r in GapReason if r is not GapReason.MISSED])
def test_any_other_gap_ends_the_measurement(reason: GapReason) -> None:
    with pytest.raises(RuntimeError, match="expected readings only"):
        Stopwatch(polls=3).take(gap(reason))


def paced(*, percent: float) -> PacedRounds:
    wire = Wire(9600)
    rounds = PacedRounds(wire)
    cycle_s = wire.poll_s(REGISTERS) / percent * 100.0
    rounds.add(Measured([cycle_s] * 10, 0.0), Manners(10, 0, wire.silence_s))
    return rounds


def test_more_polls_than_the_wire_has_room_for_are_refused() -> None:
    paced(percent=100.4).check()
    with pytest.raises(RuntimeError, match=r"200\.0 % of what 9600 baud allow"):
        paced(percent=200.0).check()
