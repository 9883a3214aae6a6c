"""Lines that go away and come back, and pollers that are cancelled."""

import asyncio
import os
from collections.abc import Callable, Coroutine
from itertools import pairwise
from typing import Any

import pytest

from daq.records import Gap, GapReason, Reading
from daq.runtime.poller import LineState
from daq.runtime.ports import Port, open_port
from daq.runtime.ports.threaded import open_threaded
from tests.runtime.conftest import Wire
from tests.runtime.moved_time import Line
from tests.runtime.polled_meters import (
    IMPATIENT_S,
    NEVER_S,
    Heard,
    Meters,
    Run,
    after,
    instruments,
    polling,
    reply,
    run_in_moved_time,
    says_nothing,
    silent,
    talking,
)
from tests.runtime.waiting import until

OPEN, LOST = LineState.OPEN, LineState.LOST


@pytest.mark.pty
@pytest.mark.slow
async def test_a_plug_that_is_pulled_and_put_back(
    plugged: Callable[[str], Wire],
) -> None:
    wire, other = plugged("line"), plugged("other")
    Meters(wire)
    Meters(other)
    async with (
        polling(instruments(("meter", wire.path, 1))) as heard,
        polling(instruments(("meter", other.path, 1))) as elsewhere,
    ):
        await heard.until_readings(2)
        wire.unplug()
        await until(lambda: len(heard.faults()) >= 2)
        meanwhile = len(elsewhere.readings())
        await elsewhere.until_readings(meanwhile + 3)
        before = len(heard.readings())
        wire.plug()
        Meters(wire)
        await heard.until_readings(before + 3)
    assert {gap.reason for gap in heard.faults()} == {GapReason.PORT_LOST}
    assert "it went away" in heard.lines[1][1]
    # The new meter counts from one.
    assert heard.values()[before : before + 3] == [1, 2, 3]
    assert heard.states[0] is LineState.OPEN
    assert heard.states[-1] is LineState.OPEN
    assert set(heard.states[1:-1]) == {LineState.LOST}
    assert elsewhere.faults() == []
    assert elsewhere.states == [LineState.OPEN]


@pytest.mark.pty
async def test_a_plug_pulled_between_two_polls_that_are_due_is_a_lost_port(
    wire: Wire,
) -> None:
    Meters(wire)
    rows = (("meter", wire.path, 1),)
    async with polling(instruments(*rows, interval_s=0.001)) as heard:

        def pull(_: Reading | Gap) -> None:
            if len(heard.readings()) == 3:
                wire.unplug()

        heard.on_outcome = pull
        await until(lambda: len(heard.faults()) >= 3)
    assert {gap.reason for gap in heard.faults()} == {GapReason.PORT_LOST}


@pytest.mark.pty
async def test_a_plug_pulled_while_a_reply_is_awaited_is_a_lost_port(
    wire: Wire,
) -> None:
    meters = Meters(wire, silent)
    rows = (("meter", wire.path, 1),)
    async with polling(instruments(*rows, timeout_s=NEVER_S)) as heard:
        await until(lambda: bool(meters.asked))
        wire.unplug()
        await until(lambda: bool(heard.gaps()))
    assert heard.gaps()[0].reason is GapReason.PORT_LOST


@pytest.mark.pty
async def test_a_port_that_is_not_there_yet_is_found_once_it_is(wire: Wire) -> None:
    wire.unplug()
    async with polling(instruments(("meter", wire.path, 1))) as heard:
        await until(lambda: bool(heard.gaps()))
        wire.plug()
        Meters(wire)
        await heard.until_readings(2)
    assert {gap.reason for gap in heard.faults()} == {GapReason.PORT_LOST}
    assert heard.lines[0][0] is LineState.CLOSED
    assert "nothing is there" in heard.lines[0][1]
    assert heard.states[-1] is LineState.OPEN


# ---- lines that go away in moved time


def test_a_line_that_goes_away_between_two_polls_is_told_at_once_and_reopened(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    told_s: list[float] = []

    def lost_between_polls(line: Line, heard: Heard) -> None:
        heard.on_line = lambda state: (
            told_s.append(line.now_s) if state is LOST else None
        )
        line.lose_in(1.0)

    meters = instruments(("meter", "line", 1), interval_s=10.0)
    run = run_in_moved_time(
        monkeypatch, meters, after(0.013), seconds=25.0, prepare=lost_between_polls
    )
    assert run.heard.lines[1] == (LOST, "port line: it went away")
    assert run.heard.states == [OPEN, LOST, OPEN]
    assert told_s == pytest.approx(run.line.lost_s, abs=1e-3)
    assert run.line.opened_s[1] - run.line.lost_s[0] < 1.0
    # No poll was due meanwhile: none is missing, and the next ones keep their deadlines.
    assert run.heard.gaps() == []
    first_s = run.line.asked_s[0]
    begun_s = [at_s - first_s for at_s in run.line.asked_s]
    assert begun_s == pytest.approx([0.0, 10.0, 20.0], abs=0.005)


@pytest.mark.parametrize("moment_s", [0.0002, 0.0008, 0.0015])
def test_a_line_that_goes_away_before_a_request_is_written_gets_none(
    monkeypatch: pytest.MonkeyPatch, moment_s: float
) -> None:
    def say(number: int, request: bytes) -> list[tuple[float, bytes]]:
        if number == 3:
            # Within the silence that the next request keeps, 1.75 ms.
            line_of[0].lose_in(0.010 + moment_s)
        return after(0.010)(number, request)

    line_of: list[Line] = []
    meters = instruments(("meter", "line", 1), interval_s=0.001)
    run = run_in_moved_time(
        monkeypatch,
        meters,
        say,
        seconds=0.5,
        prepare=lambda line, _: line_of.append(line),
    )
    (lost_s,), reopened_s = run.line.lost_s, run.line.opened_s[1]
    assert not any(lost_s <= at_s <= reopened_s for at_s in run.line.asked_s)
    assert run.heard.values()[:4] == [1, 2, 3, 4]
    # What was due until it was lost, and what was due until it was open and quiet again.
    assert [gap.reason for gap in run.heard.faults()] == [GapReason.PORT_LOST] * 2


def test_a_line_that_is_lost_whenever_it_opens_is_left_alone_for_up_to_a_second(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # As a device server does whose line another client has: it accepts and hangs up.
    def hangs_up(line: Line, heard: Heard) -> None:
        heard.on_line = lambda state: line.lose_in(0.001) if state is OPEN else None

    meters = instruments(("meter", "line", 1), interval_s=0.5)
    run = run_in_moved_time(
        monkeypatch, meters, after(0.01), seconds=9.9, prepare=hangs_up
    )
    waits_s = [b - a for a, b in pairwise(run.line.opened_s)]
    # Twice as long each time, but never longer than a second.
    expected = [0.1, 0.2, 0.4, 0.8] + [1.0] * 8
    assert waits_s == pytest.approx(expected, abs=0.01)
    assert run.line.asked_s == []
    assert {gap.reason for gap in run.heard.gaps()} == {GapReason.PORT_LOST}


def test_a_line_that_was_of_use_is_reopened_at_once_however_often_it_is_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def lost_each_second(line: Line, _heard: Heard) -> None:
        for k in range(1, 6):
            line.lose_in(float(k))

    meters = instruments(("meter", "line", 1), interval_s=0.1)
    run = run_in_moved_time(
        monkeypatch, meters, after(0.01), seconds=5.9, prepare=lost_each_second
    )
    pairs = zip(run.line.lost_s, run.line.opened_s[1:], strict=True)
    assert [b - a for a, b in pairs] == pytest.approx([0.1] * 5, abs=0.01)


def polls_due(run: Run) -> tuple[int, list[int]]:
    """Slots from the first to the last request, and how many each gap stands for."""
    asked_s = run.line.asked_s
    slots = round((asked_s[-1] - asked_s[0]) / 0.1) + 1
    return slots, [gap.polls for gap in run.heard.gaps()]


def test_every_poll_that_was_due_while_the_line_was_away_is_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def comes_back_after(line: Line, heard: Heard) -> None:
        # Lost again as soon as it opens until 104 s: the attempts are up to a second apart.
        heard.on_line = lambda state: (
            line.lose_in(0.0005)
            if state is OPEN and 101.0 < line.now_s < 104.0
            else None
        )
        line.lose_in(1.37)

    meters = instruments(("meter", "line", 1), interval_s=0.1)
    run = run_in_moved_time(
        monkeypatch, meters, after(0.013), seconds=8.0, prepare=comes_back_after
    )
    slots, told = polls_due(run)
    assert len(run.heard.readings()) + sum(told) == slots
    assert {gap.reason for gap in run.heard.gaps()} == {GapReason.PORT_LOST}
    # Fewer gaps than polls: one each time that it was tried, and one for what was due while it was drained.
    assert len(told) < sum(told)
    assert sum(told) > 20
    longest = max(run.heard.gaps(), key=lambda gap: gap.polls)
    assert longest.detail == f"{longest.polls} polls were due: port line: it went away"
    # The deadlines stay where they were.
    first_s = run.line.asked_s[0]
    off_s = [(at_s - first_s + 0.05) % 0.1 - 0.05 for at_s in run.line.asked_s]
    assert max(map(abs, off_s)) < 0.005


def test_polls_that_were_due_while_a_line_was_drained_again_are_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    meters = instruments(("meter", "line", 1), interval_s=0.1, worst_s=0.35)
    run = run_in_moved_time(
        monkeypatch,
        meters,
        after(0.013),
        seconds=4.0,
        prepare=lambda line, _: line.lose_in(1.37),
    )
    slots, told = polls_due(run)
    assert len(run.heard.readings()) + sum(told) == slots
    assert run.heard.gaps()[-1].detail.endswith(
        "polls were due: the line had to be opened again"
    )
    # 0.1 s until it is tried, 0.35 s until it has been quiet for so long.
    assert sum(told) in {4, 5}


def test_of_a_meter_that_talks_by_itself_nobody_knows_how_many_lines_were_lost_with_the_port(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = run_in_moved_time(
        monkeypatch,
        talking("line"),
        says_nothing,
        seconds=0.6,
        prepare=lambda line, _: line.lose_in(0.25),
    )
    assert [gap.polls for gap in run.heard.gaps()] == [1]
    assert run.heard.gaps()[0].detail == "port line: it went away"


# ---- the end


def descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))  # noqa: PTH208 - counted, not opened


@pytest.mark.pty
@pytest.mark.parametrize(
    "moment",
    [
        *("between polls", "awaiting a reply", "line absent"),
        pytest.param("draining", marks=pytest.mark.slow),
    ],
)
async def test_a_poller_that_is_cancelled_leaves_nothing_behind(
    wire: Wire, moment: str
) -> None:
    meters = Meters(wire, reply if moment == "between polls" else silent)
    waits = {
        "between polls": lambda heard: bool(heard.readings()),
        "awaiting a reply": lambda _: bool(meters.asked),
        "draining": lambda heard: bool(heard.gaps()),
        "line absent": lambda heard: bool(heard.gaps()),
    }
    if moment == "line absent":
        wire.unplug()
    tasks, opened = asyncio.all_tasks(), descriptors()
    rows = (("meter", wire.path, 1),)
    async with polling(instruments(*rows, timeout_s=IMPATIENT_S)) as heard:
        await until(lambda: waits[moment](heard))
    told = len(heard.outcomes)
    assert asyncio.all_tasks() == tasks
    assert descriptors() == opened
    assert len(heard.outcomes) == told


@pytest.mark.pty
async def test_a_listener_that_is_cancelled_leaves_nothing_behind(wire: Wire) -> None:
    tasks, opened = asyncio.all_tasks(), descriptors()
    async with polling(talking(wire.path)) as heard:
        wire.send(b"\r\nV=8\r\n")
        await until(lambda: heard.states == [LineState.OPEN])
    assert asyncio.all_tasks() == tasks
    assert descriptors() == opened


@pytest.mark.pty
@pytest.mark.parametrize("open_with", [open_port, open_threaded])
async def test_a_poll_that_is_cancelled_swallows_no_later_reply(
    wire: Wire,
    open_with: Callable[..., Coroutine[Any, Any, Port]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("daq.runtime.poller.open_port", open_with)
    meters = Meters(wire, lambda u, n: (silent if n == 1 else reply)(u, n))
    rows = (("meter", wire.path, 1),)
    async with polling(instruments(*rows, timeout_s=NEVER_S)):
        await until(lambda: meters.asked == [1])
    wire.send(reply(1, 1))
    async with polling(instruments(*rows)) as heard:
        await heard.until_readings(4)
    assert heard.values()[:4] == [2, 3, 4, 5]
    assert heard.faults() == []
