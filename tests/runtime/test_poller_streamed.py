"""A meter that talks by itself."""

import pytest

from daq.records import Gap, GapReason
from daq.runtime.poller import LineState
from tests.runtime.conftest import Wire
from tests.runtime.moved_time import Line
from tests.runtime.polled_meters import (
    Heard,
    polling,
    run_in_moved_time,
    says_nothing,
    talking,
)
from tests.runtime.waiting import until


@pytest.mark.pty
async def test_lines_become_readings(wire: Wire) -> None:
    async with polling(talking(wire.path)) as heard:
        await until(lambda: heard.states == [LineState.OPEN])
        wire.send(b"=7\r\nV=8\r\nV=9\r\nnonsense\r\nV=1")
        wire.send(b"0\r\n")
        await until(lambda: len(heard.outcomes) >= 4)
    # The first piece may be half a line.
    assert heard.values() == [8, 9, 10]
    assert [gap.reason for gap in heard.gaps()] == [GapReason.GARBLED]
    assert isinstance(heard.outcomes[2], Gap)


@pytest.mark.pty
@pytest.mark.slow
async def test_silence_is_a_gap_and_speech_ends_it(wire: Wire) -> None:
    async with polling(talking(wire.path)) as heard:
        await until(lambda: heard.states == [LineState.OPEN])
        await until(lambda: bool(heard.gaps()))
        wire.send(b"\r\nV=8\r\n")
        await heard.until_readings(1)
    assert {gap.reason for gap in heard.gaps()} == {GapReason.NO_REPLY}
    assert heard.values() == [8]


@pytest.mark.pty
async def test_a_talking_meters_plug_is_pulled_and_put_back(wire: Wire) -> None:
    async with polling(talking(wire.path)) as heard:
        await until(lambda: heard.states == [LineState.OPEN])
        wire.send(b"\r\nV=8\r\nV=")
        await heard.until_readings(1)
        wire.unplug()
        await until(lambda: bool(heard.gaps()))
        wire.plug()
        await until(lambda: heard.states[-1] is LineState.OPEN)
        # The half line of before must not make a whole one.
        wire.send(b"5\r\nV=9\r\n")
        await heard.until_readings(2)
    assert {gap.reason for gap in heard.gaps()} == {GapReason.PORT_LOST}
    assert heard.values() == [8, 9]


def test_a_loss_that_comes_with_the_last_bytes_is_a_lost_port_and_they_are_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # A thread may tell of both before the loop has its next turn.
    def said_and_lost(line: Line, _heard: Heard) -> None:
        line.say_in(0.25, b"\r\nV=8\r\nV=9\r\n")
        line.lose_in(0.25)
        line.say_in(0.55, b"\r\nV=10\r\n")

    run = run_in_moved_time(
        monkeypatch,
        talking("line"),
        says_nothing,
        seconds=0.6,
        prepare=said_and_lost,
    )
    assert run.heard.values() == [8, 9, 10]
    assert run.heard.states == [LineState.OPEN, LineState.LOST, LineState.OPEN]
    assert [gap.reason for gap in run.heard.gaps()] == [GapReason.PORT_LOST]
