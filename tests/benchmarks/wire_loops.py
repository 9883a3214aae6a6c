"""Three loops that poll one meter: the bare minimum with and without an event loop, and the program's own.

Each takes a path and a number of polls, and gives the times from reading to reading; wire.py compares them.
"""

import asyncio
import itertools
import os
import select
import struct
import time
import tty
from collections.abc import Sequence
from dataclasses import dataclass, field

from daq.config.bench import Instrument
from daq.framing import crc16_modbus
from daq.records import Gap, GapReason, Reading
from daq.runtime.clock import Clock
from daq.runtime.poller import LinePoller, LineState
from tests.benchmarks.measuring import cpu_s, wait_until
from tests.benchmarks.meter_process import reply_length
from tests.benchmarks.register_bench import register_bench, request_for, unpaced

REGISTERS = 10
_AT_ONCE_S = 1e-6
_FASTEST_BAUD = 4_000_000
_WARM_UP = 20
_LONGEST_S = 60.0


@dataclass
class Measured:
    """Polls of one round."""

    cycles_s: Sequence[float]
    cpu_a_poll_s: float


def raw_loop(path: str, polls: int, *, silence_s: float = 0.0) -> Measured:
    """Blocking reads and writes, and the silence after each reply to the microsecond; nothing else."""
    request, length = request_for(REGISTERS), reply_length(REGISTERS)
    descriptor = _opened(path)
    stamps, cpu_from = [time.perf_counter()], cpu_s()
    for _ in range(polls):
        os.write(descriptor, request)
        reply = b""
        while len(reply) < length:
            reply += os.read(descriptor, 256)
        if silence_s:
            wait_until(time.monotonic() + silence_s)
        _check(reply)
        stamps.append(time.perf_counter())
    cpu = (cpu_s() - cpu_from) / polls
    os.close(descriptor)
    return Measured(_spacings(stamps), cpu)


async def _bare_polls(descriptor: int, polls: int) -> Measured:
    loop = asyncio.get_running_loop()
    request, length = request_for(REGISTERS), reply_length(REGISTERS)
    reply, waiter = bytearray(), loop.create_future()

    def readable() -> None:
        reply.extend(os.read(descriptor, 256))
        if len(reply) >= length:
            waiter.set_result(None)

    loop.add_reader(descriptor, readable)
    stamps, cpu_from = [time.perf_counter()], cpu_s()
    for _ in range(polls):
        waiter = loop.create_future()
        reply.clear()
        os.write(descriptor, request)
        await waiter
        _check(reply)
        stamps.append(time.perf_counter())
    loop.remove_reader(descriptor)
    return Measured(_spacings(stamps), (cpu_s() - cpu_from) / polls)


def bare_event_loop(path: str, polls: int) -> Measured:
    """The least that any reader on an event loop costs: one watched descriptor, one future a poll."""
    descriptor = _opened(path)
    try:
        return asyncio.run(_bare_polls(descriptor, polls))
    finally:
        os.close(descriptor)


def _opened(path: str) -> int:
    descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(descriptor)
    _let_go_by(descriptor)
    return descriptor


def _check(reply: bytes | bytearray) -> None:
    if crc16_modbus(bytes(reply)) != 0:
        msg = f"bad reply {bytes(reply)!r}"
        raise ValueError(msg)
    struct.unpack_from(f">{REGISTERS}H", reply, 3)


def _let_go_by(descriptor: int) -> None:
    """The poller of the round before was stopped in the middle of a poll; its reply is not ours."""
    while select.select([descriptor], [], [], 0.05)[0]:
        os.read(descriptor, 256)


def _spacings(stamps: Sequence[float]) -> list[float]:
    return [b - a for a, b in itertools.pairwise(stamps)]


@dataclass
class Stopwatch:
    """Takes outcomes, leaves the first readings out and says when there are enough."""

    polls: int
    stamps: list[float] = field(default_factory=list)
    cpu_from: float = 0.0
    cpu_to: float = 0.0
    done: asyncio.Event = field(default_factory=asyncio.Event)
    seen: int = 0

    def take(self, outcome: Reading | Gap) -> None:
        """Stamp one reading.

        Raises:
            RuntimeError: At a gap, for a failed poll is no poll.
        """
        if isinstance(outcome, Gap):
            if outcome.reason is GapReason.MISSED:
                # Polled without a pause, every poll passes slots over; that is no poll either.
                return
            msg = f"a gap, expected readings only: {outcome.reason} ({outcome.detail})"
            raise RuntimeError(msg)
        if self.done.is_set():
            return
        self.seen += 1
        if self.seen < _WARM_UP:
            return
        if self.seen == _WARM_UP:
            self.cpu_from = cpu_s()
        self.stamps.append(time.perf_counter())
        if len(self.stamps) > self.polls:
            self.cpu_to = cpu_s()
            self.done.set()

    def measured(self) -> Measured:
        """What the polls took."""
        cpu = (self.cpu_to - self.cpu_from) / self.polls
        return Measured(_spacings(self.stamps), cpu)


async def _poll(instrument: Instrument, polls: int) -> Measured:
    watch = Stopwatch(polls)
    poller = LinePoller(
        [instrument], clock=Clock(), on_outcome=watch.take, on_line=_line_changed
    )
    async with asyncio.timeout(_LONGEST_S), asyncio.TaskGroup() as tasks:
        running = tasks.create_task(poller.run())
        await watch.done.wait()
        running.cancel()
    return watch.measured()


def _line_changed(state: LineState, text: str) -> None:
    if state is not LineState.OPEN:
        msg = f"the line is {state}: {text}"
        raise RuntimeError(msg)


def poller_loop(path: str, polls: int, *, baud: int | None = None) -> Measured:
    """The program's own poll; without a baud rate on a line that needs no silence."""
    bench = register_bench(
        port=path,
        baud=baud or _FASTEST_BAUD,
        registers=REGISTERS,
        interval_s=_AT_ONCE_S,
        with_stamp=False,
    )
    instrument = bench.instruments[0]
    return asyncio.run(_poll(instrument if baud else unpaced(instrument), polls))
