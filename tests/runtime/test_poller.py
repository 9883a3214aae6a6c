"""A line and the meters on it: deadlines, turns, faults, late replies, plugs that are pulled.

The meters answer from the far end of a pseudo-terminal, each with how often it was asked, so that a reply to another
question shows. Time is moved by hand where it is what matters.
"""

import asyncio
import contextlib
import os
import struct
from collections import Counter
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from daq.config.bench import Instrument, parse_bench
from daq.records import AFTER_DRAIN, Gap, GapReason, Reading
from daq.runtime.clock import Clock
from daq.runtime.poller import LinePoller, LineState
from daq.runtime.ports import Port, open_port
from daq.runtime.ports.threaded import open_threaded
from tests.runtime.conftest import Line, MovedTime, Say, Wire, until

COUNTING = """
format = 1
title = "Meter that counts its questions"
refresh_s = 0.5
lag_s = {lag_s}
[line]
baud = 115200
[wire]
protocol = "modbus-rtu"
reply_timeout_s = {timeout_s}
worst_reply_s = {worst_s}
[[field]]
name = "count"
quantity = "voltage"
unit = "V"
resolution = 1
high = 60000
address = 0
"""
TALKING = """
format = 1
title = "Meter that talks by itself"
refresh_s = 0.01
[line]
baud = 115200
[wire]
protocol = "streamed-lines"
pattern = 'V=(?P<volts>[0-9]+)'
[[field]]
name = "volts"
quantity = "voltage"
unit = "V"
resolution = 1
"""


PATIENT_S = 10.0
"""Time-out where none is meant to come, however busy the computer is."""
NEVER_S = 100.0
"""Longer than a test's patience."""
IMPATIENT_S = 0.3
"""Time-out where one is meant to come."""


def instruments(
    *rows: tuple[str, str | Path, int | None],
    profile: str = COUNTING,
    interval_s: float = 0.02,
    timeout_s: float = PATIENT_S,
    worst_s: float = 0.03,
    lag_s: float = 0.0,
) -> tuple[Instrument, ...]:
    """Instruments by name, port and unit."""
    text = 'format = 1\nname = "bench"\n'
    for name, port, unit in rows:
        text += f'[[instrument]]\nname = "{name}"\nprofile = "kind"\nport = "{port}"\ninterval_s = {interval_s}\n'
        text += f"unit = {unit}\n" if unit else ""
    figures = {"timeout_s": timeout_s, "worst_s": worst_s, "lag_s": lag_s}
    filled = profile
    for name, figure in figures.items():
        filled = filled.replace(f"{{{name}}}", str(figure))
    bench = parse_bench(
        text, file="bench.toml", find_profile=lambda _: ("kind.toml", filled)
    )
    return bench.instruments


@dataclass
class Heard:
    """What pollers told."""

    outcomes: list[Reading | Gap] = field(default_factory=list)
    lines: list[tuple[LineState, str]] = field(default_factory=list)
    on_outcome: Callable[[Reading | Gap], object] = lambda _: None

    def take(self, outcome: Reading | Gap) -> None:
        self.outcomes.append(outcome)
        self.on_outcome(outcome)

    def line(self, state: LineState, text: str) -> None:
        self.lines.append((state, text))

    @property
    def states(self) -> list[LineState]:
        return [state for state, _ in self.lines]

    def readings(self, name: str = "meter") -> list[Reading]:
        return [
            o for o in self.outcomes if isinstance(o, Reading) and o.instrument == name
        ]

    def gaps(self, name: str = "meter") -> list[Gap]:
        return [o for o in self.outcomes if isinstance(o, Gap) and o.instrument == name]

    def values(self, name: str = "meter") -> list[float | None]:
        return [reading.values[0] for reading in self.readings(name)]

    async def until_readings(self, count: int, name: str = "meter") -> None:
        await until(lambda: len(self.readings(name)) >= count)


@asynccontextmanager
async def polling(meters: tuple[Instrument, ...]) -> AsyncIterator[Heard]:
    """Poll one line for as long as the block lasts."""
    heard = Heard()
    poller = LinePoller(
        meters, clock=Clock(), on_outcome=heard.take, on_line=heard.line
    )
    async with asyncio.TaskGroup() as tasks:
        task = tasks.create_task(poller.run())
        try:
            yield heard
        finally:
            task.cancel()


def framed(payload: bytes) -> bytes:
    """A frame with its CRC, by the bit (Modbus over Serial Line V1.02, Appendix B)."""
    crc = 0xFFFF
    for byte in payload:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return payload + struct.pack("<H", crc)


def reply(unit: int, value: int) -> bytes:
    """One input register (Modbus Application Protocol V1.1b3, 6.4)."""
    return framed(struct.pack(">BBBH", unit, 4, 2, value))


def test_the_meters_frames_are_those_of_the_standard() -> None:
    # Modbus over Serial Line V1.02, Appendix B; Application Protocol V1.1b3, 6.4 (with unit 1).
    assert framed(b"\x02\x07") == b"\x02\x07\x41\x12"
    assert reply(1, 10) == bytes.fromhex("01 04 02 00 0A 39 37")


Answer = Callable[[int, int], bytes]
"""Takes the unit and how often it was asked; gives what it says."""


class Meters:
    """Every unit on one wire."""

    def __init__(self, wire: Wire, answer: Answer = reply) -> None:
        self.wire = wire
        self.asked: list[int] = []
        self.requests: list[bytes] = []
        self.answer = answer
        wire.on_received = self._heard
        wire.attend()

    def _heard(self) -> None:
        # A request for registers has eight bytes (Modbus Application Protocol V1.1b3, 6.4).
        while len(self.wire.received) >= 8:
            request = self.wire.received[:8]
            self.wire.received = self.wire.received[8:]
            self.requests.append(request)
            self.asked.append(request[0])
            said = self.answer(request[0], self.asked.count(request[0]))
            if said and self.wire.is_plugged:
                self.wire.send(said)


# ---- time in the test's hand


def after(delay_s: float) -> Say:
    """A meter whose whole reply is there so long after the request came."""
    return lambda number, _: [(delay_s, reply(1, number))]


@dataclass
class Run:
    """One poller in moved time."""

    line: Line
    heard: Heard
    poller: LinePoller


def run_in_moved_time(
    monkeypatch: pytest.MonkeyPatch,
    say: Say,
    *,
    outcomes: int,
    interval_s: float,
    timeout_s: float = 0.3,
    lag_s: float = 0.0,
    speed: float = 1.0,
    rows: Sequence[tuple[str, str, int]] = (("meter", "line", 1),),
) -> Run:
    with contextlib.closing(MovedTime()) as loop:
        line, heard = Line(loop, say), Heard()
        monkeypatch.setattr("daq.runtime.poller.open_port", line.open)

        async def polled() -> LinePoller:
            clock = Clock(speed=speed, since_boot_s=loop.time, boot_id="boot")
            poller = LinePoller(
                instruments(
                    *rows,
                    interval_s=interval_s,
                    timeout_s=timeout_s,
                    lag_s=lag_s,
                ),
                clock=clock,
                on_outcome=heard.take,
                on_line=heard.line,
            )
            task = asyncio.Task(poller.run())
            heard.on_outcome = lambda _: (
                len(heard.outcomes) >= outcomes and task.cancel()
            )
            await asyncio.wait([task])
            return poller

        return Run(line, heard, loop.run_until_complete(polled()))


SILENCE_S = 1.75e-3
"""Modbus over Serial Line V1.02, 2.5.1.1: above 19 200 bit/s."""


def test_polls_begin_on_absolute_deadlines(monkeypatch: pytest.MonkeyPatch) -> None:
    run = run_in_moved_time(monkeypatch, after(0.013), outcomes=500, interval_s=0.1)
    assert run.heard.values() == list(range(1, 501))
    begun_s = run.line.asked_s
    # However long a reply takes, slot k begins k intervals after the first.
    errors_s = [at_s - begun_s[0] - 0.1 * k for k, at_s in enumerate(begun_s)]
    assert max(errors_s) < SILENCE_S + 1e-3
    assert min(errors_s) > -SILENCE_S - 1e-3
    assert run.poller.missed_slots == 0


def test_slots_that_pass_while_a_meter_answers_are_counted_and_not_made_up_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = run_in_moved_time(monkeypatch, after(0.25), outcomes=20, interval_s=0.1)
    begun_s = run.line.asked_s
    # 2.5 slots a poll: every slot was either used or counted.
    slots = (begun_s[-1] - begun_s[0]) / 0.1
    assert len(begun_s) - 1 + run.poller.missed_slots == pytest.approx(slots, abs=2)
    assert run.poller.missed_slots == pytest.approx(1.5 * 20, abs=3)
    assert min(b - a for a, b in pairwise(begun_s)) >= 0.25


def test_a_line_is_silent_for_three_and_a_half_characters_before_each_request(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = run_in_moved_time(monkeypatch, after(0.013), outcomes=50, interval_s=0.001)
    begun_s = run.line.asked_s
    waits_s = [b - a - 0.013 for a, b in pairwise(begun_s)]
    assert min(waits_s) >= SILENCE_S


def test_a_readings_time_is_between_request_and_reply_in_bench_time_less_the_meters_lag(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = run_in_moved_time(
        monkeypatch,
        after(0.050),
        outcomes=20,
        interval_s=1.2,
        lag_s=0.6,
        speed=12.0,
    )
    char_s = 10 / 115_200
    for reading, begun_s in zip(run.heard.readings(), run.line.asked_s, strict=False):
        request_end_s = begun_s + 8 * char_s
        reply_start_s = begun_s + 0.050 - 7 * char_s
        expected_s = 12.0 * (request_end_s + reply_start_s) / 2.0 - 0.6
        # A few turns of the loop, in bench time.
        assert reading.at_s == pytest.approx(expected_s, abs=12.0 * 1e-4)
    # 1.2 bench seconds are 0.1 real ones.
    begun_s_all = run.line.asked_s
    assert begun_s_all[10] - begun_s_all[0] == pytest.approx(1.0, abs=0.005)


def test_the_longest_reply_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    run = run_in_moved_time(monkeypatch, after(0.040), outcomes=5, interval_s=0.1)
    # From the request's end: eight characters after it was handed over.
    longest = run.poller.longest_replies_s()["meter"]
    assert longest == pytest.approx(0.040 - 8 * 10 / 115_200, abs=1e-4)


def test_units_on_one_line_take_turns(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    def say(number: int, request: bytes) -> list[tuple[float, bytes]]:
        asked.append(request[0])
        return [(0.013, reply(request[0], number))]

    rows = [("a", "line", 1), ("b", "line", 2), ("c", "line", 7)]
    run = run_in_moved_time(monkeypatch, say, outcomes=60, interval_s=0.1, rows=rows)
    assert asked == [1, 2, 7] * 20
    assert run.heard.values("b") == list(range(2, 60, 3))
    # Nobody speaks while another one is still answering.
    pairs = zip(run.line.said_s, run.line.asked_s[1:], strict=False)
    assert all(asked_s - said_s >= SILENCE_S for said_s, asked_s in pairs)


WORST_S = 0.03
"""The profile's worst reply time."""


@pytest.mark.parametrize("late_s", [0.0515, 0.053, 0.06, 0.08])
@pytest.mark.parametrize("pieces", [1, 7])
def test_within_the_worst_reply_time_no_late_reply_answers_another_question(
    monkeypatch: pytest.MonkeyPatch, late_s: float, pieces: int
) -> None:
    def say(number: int, request: bytes) -> list[tuple[float, bytes]]:
        if number % 2:
            return after(0.01)(number, request)
        # Seven bytes of a reply, together or each 5 ms after the one before.
        said = reply(1, number)
        size = len(said) // pieces
        return [
            (late_s + 0.005 * i, said[size * i : size * (i + 1)]) for i in range(pieces)
        ]

    run = run_in_moved_time(
        monkeypatch, say, outcomes=12, interval_s=0.001, timeout_s=0.05
    )
    assert run.heard.values() == [1, 3, 5, 7, 9, 11]
    assert {reading.flags for reading in run.heard.readings()[1:]} == {AFTER_DRAIN}
    assert {gap.reason for gap in run.heard.gaps()} == {GapReason.NO_REPLY}
    # Nobody asks before the line has been quiet for that time.
    for asked_s in run.line.asked_s[2::2]:
        last_s = max(said_s for said_s in run.line.said_s if said_s < asked_s)
        assert asked_s - last_s >= WORST_S


# ---- meters on a pseudo-terminal


@pytest.mark.pty
async def test_a_meter_is_asked_and_its_answers_become_readings(wire: Wire) -> None:
    meters = Meters(wire)
    async with polling(instruments(("meter", wire.path, 1))) as heard:
        await heard.until_readings(5)
    assert heard.values()[:5] == [1, 2, 3, 4, 5]
    assert heard.gaps() == []
    assert heard.lines == [(LineState.OPEN, "")]
    assert {reading.flags for reading in heard.readings()} == {0}
    times = [reading.at_s for reading in heard.readings()]
    assert times == sorted(set(times))
    # Read input registers, one from address 0, of unit 1.
    assert set(meters.requests) == {framed(bytes((1, 4, 0, 0, 0, 1)))}


def silent(_unit: int, _number: int) -> bytes:
    return b""


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
    assert [gap.reason for gap in heard.gaps()] == [reason]
    assert heard.gaps()[0].detail
    assert isinstance(heard.outcomes[1], Gap)
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
        if isinstance(outcome, Gap):
            wire.send(reply(1, 2)[in_time:])

    rows = (("meter", wire.path, 1),)
    meters = instruments(*rows, timeout_s=IMPATIENT_S, worst_s=0.3)
    async with polling(meters) as heard:
        heard.on_outcome = rest_comes_late
        await heard.until_readings(4)
    assert heard.values()[:4] == [1, 3, 4, 5]
    assert [reading.flags for reading in heard.readings()[:3]] == [0, AFTER_DRAIN, 0]
    expected = GapReason.CUT if in_time else GapReason.NO_REPLY
    assert [gap.reason for gap in heard.gaps()] == [expected]


@pytest.mark.pty
async def test_each_of_two_units_on_one_line_gets_its_own_values(wire: Wire) -> None:
    Meters(wire, lambda u, n: reply(u, 1000 * u + n))
    rows = (("first", wire.path, 1), ("second", wire.path, 2))
    async with polling(instruments(*rows)) as heard:
        await heard.until_readings(5, "first")
        await heard.until_readings(5, "second")
    assert heard.values("first")[:4] == [1001, 1002, 1003, 1004]
    assert heard.values("second")[:4] == [2001, 2002, 2003, 2004]
    assert heard.gaps("first") == heard.gaps("second") == []


@pytest.mark.pty
@pytest.mark.slow
async def test_a_silent_unit_does_not_stop_the_other_one(wire: Wire) -> None:
    Meters(wire, lambda u, n: reply(u, n) if u == 1 else b"")
    rows = (("speaking", wire.path, 1), ("silent", wire.path, 2))
    async with polling(instruments(*rows, timeout_s=IMPATIENT_S)) as heard:
        await until(lambda: len(heard.gaps("silent")) >= 3)
        await heard.until_readings(3, "speaking")
    assert {gap.reason for gap in heard.gaps("silent")} == {GapReason.NO_REPLY}
    assert heard.readings("silent") == []
    assert heard.gaps("speaking") == []
    assert heard.values("speaking") == list(range(1, len(heard.values("speaking")) + 1))


# ---- plugs


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
        await until(lambda: len(heard.gaps()) >= 2)
        meanwhile = len(elsewhere.readings())
        await elsewhere.until_readings(meanwhile + 3)
        before = len(heard.readings())
        wire.plug()
        Meters(wire)
        await heard.until_readings(before + 3)
    assert {gap.reason for gap in heard.gaps()} == {GapReason.PORT_LOST}
    assert "it went away" in heard.lines[1][1]
    # The new meter counts from one.
    assert heard.values()[before : before + 3] == [1, 2, 3]
    assert heard.states[0] is LineState.OPEN
    assert heard.states[-1] is LineState.OPEN
    assert set(heard.states[1:-1]) == {LineState.LOST}
    assert elsewhere.gaps() == []
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
        await until(lambda: len(heard.gaps()) >= 3)
    assert {gap.reason for gap in heard.gaps()} == {GapReason.PORT_LOST}


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
    assert {gap.reason for gap in heard.gaps()} == {GapReason.PORT_LOST}
    assert heard.lines[0][0] is LineState.CLOSED
    assert "nothing is there" in heard.lines[0][1]
    assert heard.states[-1] is LineState.OPEN


# ---- a meter that talks by itself


def talking(path: Path) -> tuple[Instrument, ...]:
    return instruments(("meter", path, None), profile=TALKING)


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
    assert heard.gaps() == []


# ---- another party's meter

REGISTERS = """
format = 1
title = "Every type and byte order"
refresh_s = 0.5
[line]
baud = 115200
[wire]
protocol = "modbus-rtu"
reply_timeout_s = {timeout_s}
"""
# Function, address, type, byte order, what the other party's registers hold, the value.
# Registers of 123.456: tests/vectors/modbus.json (IEEE 754 binary32 42 F6 E9 79), and of
# -12345: FF FF CF C7 in two's complement; the exchanged orders by hand.
LAID_OUT: tuple[tuple[int, int, str, str, list[int], float], ...] = (
    (4, 0, "f32", "ABCD", [0x42F6, 0xE979], 123.456),
    (4, 2, "f32", "CDAB", [0xE979, 0x42F6], 123.456),
    (4, 4, "f32", "BADC", [0xF642, 0x79E9], 123.456),
    (4, 6, "f32", "DCBA", [0x79E9, 0xF642], 123.456),
    # Not next to the others: one more request.
    (4, 100, "s32", "ABCD", [0xFFFF, 0xCFC7], -12_345),
    (4, 102, "u32", "CDAB", [0xCFC7, 0xFFFF], 2**32 - 12_345),
    (3, 200, "u16", "ABCD", [0xFFFF], 65_535),
    (3, 201, "s16", "ABCD", [0xFFFF], -1),
)


def registers_profile() -> str:
    fields = "".join(
        f'[[field]]\nname = "f{index}"\nquantity = "voltage"\nunit = "V"\nresolution = 1\n'
        f'function = {function}\naddress = {address}\ntype = "{kind}"\nbyte_order = "{order}"\n'
        for index, (function, address, kind, order, _, _) in enumerate(LAID_OUT)
    )
    return REGISTERS + fields


def other_party(unit: int) -> SimDevice:
    data = {
        function: [
            SimData(address, values=words, datatype=DataType.REGISTERS)
            for f, address, _, _, words, _ in LAID_OUT
            if f == function
        ]
        for function in (3, 4)
    }
    bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    return SimDevice(unit, (bits, bits, data[3], data[4]))


def joined(one: Wire, other: Wire) -> None:
    """What goes into one terminal comes out of the other."""

    def carry(source: Wire, drain: Wire) -> None:
        drain.send(source.received)
        source.received = b""

    one.on_received = lambda: carry(one, other)
    other.on_received = lambda: carry(other, one)
    one.attend()
    other.attend()


@pytest.mark.pty
@pytest.mark.slow
async def test_another_partys_meters_are_read_in_every_type_and_byte_order(
    plugged: Callable[[str], Wire],
) -> None:
    ours, theirs = plugged("ours"), plugged("theirs")
    joined(ours, theirs)
    server = ModbusSerialServer(
        [other_party(3), other_party(247)], port=str(theirs.path), baudrate=115_200
    )
    await server.serve_forever(background=True)
    rows = (("near", ours.path, 3), ("far", ours.path, 247), ("absent", ours.path, 9))
    meters = instruments(*rows, profile=registers_profile())
    try:
        async with polling(meters) as heard:
            for name in ("near", "far"):
                await heard.until_readings(2, name)
            await until(lambda: bool(heard.gaps("absent")))
    finally:
        await server.shutdown()
    expected = [row[-1] for row in LAID_OUT]
    for name in ("near", "far"):
        # binary32 near 123: half a unit in the last place is 3.8e-6.
        assert heard.readings(name)[-1].values == pytest.approx(expected, abs=4e-6)
        assert heard.gaps(name) == []
    reasons = Counter(gap.reason for gap in heard.gaps("absent"))
    # That server answers for units that it does not have: exception 11 (Application Protocol V1.1b3, 7).
    assert set(reasons) == {GapReason.REFUSED}
