"""Meters that are polled in tests: on a pseudo-terminal or in moved time, and what the poller tells of them.

Each meter answers with how often it was asked, so that a reply to another question shows.
"""

import asyncio
import contextlib
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from daq.config.bench import Instrument, parse_bench
from daq.records import Gap, GapReason, Reading
from daq.runtime.clock import Clock
from daq.runtime.poller import LinePoller, LineState
from tests.runtime.conftest import Wire
from tests.runtime.moved_time import Line, MovedTime, Say
from tests.runtime.waiting import until

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
    on_line: Callable[[LineState], object] = lambda _: None

    def take(self, outcome: Reading | Gap) -> None:
        self.outcomes.append(outcome)
        self.on_outcome(outcome)

    def line(self, state: LineState, text: str) -> None:
        self.lines.append((state, text))
        self.on_line(state)

    @property
    def states(self) -> list[LineState]:
        return [state for state, _ in self.lines]

    def readings(self, name: str = "meter") -> list[Reading]:
        return [
            o for o in self.outcomes if isinstance(o, Reading) and o.instrument == name
        ]

    def gaps(self, name: str = "meter") -> list[Gap]:
        return [o for o in self.outcomes if isinstance(o, Gap) and o.instrument == name]

    def missed(self, name: str = "meter") -> list[Gap]:
        """Gaps of polls that were due while the line was busy."""
        return [gap for gap in self.gaps(name) if gap.reason is GapReason.MISSED]

    def faults(self, name: str = "meter") -> list[Gap]:
        """Gaps of polls that were made, or could not be."""
        return [gap for gap in self.gaps(name) if gap.reason is not GapReason.MISSED]

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


def silent(_unit: int, _number: int) -> bytes:
    return b""


def talking(path: str | Path) -> tuple[Instrument, ...]:
    return instruments(("meter", path, None), profile=TALKING)


# ---- time in the test's hand


def after(delay_s: float) -> Say:
    """A meter whose whole reply is there so long after the request came."""
    return lambda number, _: [(delay_s, reply(1, number))]


def says_nothing(_number: int, _request: bytes) -> list[tuple[float, bytes]]:
    """A meter that answers nothing."""
    return []


@dataclass
class Run:
    """One poller in moved time."""

    line: Line
    heard: Heard
    poller: LinePoller


MOST_S = 3600.0


def run_in_moved_time(
    monkeypatch: pytest.MonkeyPatch,
    meters: tuple[Instrument, ...],
    say: Say,
    *,
    outcomes: int | None = None,
    seconds: float = MOST_S,
    speed: float = 1.0,
    prepare: Callable[[Line, Heard], object] = lambda _line, _heard: None,
) -> Run:
    """Poll one line until so much was told, or so many seconds of real time have passed."""
    with contextlib.closing(MovedTime()) as loop:
        line, heard = Line(loop, say), Heard()
        monkeypatch.setattr("daq.runtime.poller.open_port", line.open)

        async def polled() -> LinePoller:
            clock = Clock(speed=speed, since_boot_s=loop.time, boot_id="boot")
            poller = LinePoller(
                meters, clock=clock, on_outcome=heard.take, on_line=heard.line
            )
            task = asyncio.Task(poller.run())
            if outcomes is not None:
                heard.on_outcome = lambda _: (
                    len(heard.outcomes) >= outcomes and task.cancel()
                )
            prepare(line, heard)
            await asyncio.wait([task], timeout=seconds)
            task.cancel()
            await asyncio.wait([task])
            return poller

        return Run(line, heard, loop.run_until_complete(polled()))
