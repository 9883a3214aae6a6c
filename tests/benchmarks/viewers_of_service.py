"""What viewers cost the service itself: how late its polls are, and how soon they have what the meter said.

    python tests/benchmarks/viewers_of_service.py [--quick] [--interval-s 0.1]

One meter with 12 channels is polled ten times a second by the whole service: session, store, broker, page. Without viewers,
with 200, without again, and for a fifth of the time with 20 (25 min in all). The viewers are one niced process; one of them takes nothing, each of the others dials
again every 20 s and then asks for state and trace, as the page does.

Polls have absolute deadlines: what a stored reading's time is beyond the earliest of its place in the interval is how
late its poll was. The meter writes the time into its reply, and the viewers subtract it from the time at which they have it.

Goals: issue 5 (p99 of the lateness at most 1.5 times that without viewers, or 2 ms more; 20 ms and 50 ms to the viewers).
"""

import argparse
import asyncio
import contextlib
import multiprocessing
import os
import re
import selectors
import signal
import socket
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from urllib.parse import urlsplit

# Run as a script, the folder of the project is not on the search path.
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.config.bench import Bench
from daq.config.plan import Plan, parse_plan
from daq.errors import Refusal
from daq.runtime.clock import Clock
from daq.runtime.daemon import Surroundings, run_session
from daq.runtime.snapshot import EventLine, Snapshot
from daq.runtime.store import read_readings
from tests.benchmarks.measuring import (
    cpu_s,
    median,
    percentile,
    say,
    show_goal,
    show_table,
)
from tests.benchmarks.meter_process import running_meter
from tests.benchmarks.register_bench import STAMP_HIGH, STAMP_LOW, register_bench

POLLS = 5000
INTERVAL_S = 0.1
REDIAL_S = 20.0
NICENESS = 10
PATIENCE_S = 30.0
_WARM_UP_S = 3.0
_EARLY_S = 0.01
"""No poll is so much earlier than most [s]: what seems to be is one of the deadline before, and very late."""
_REGISTERS = 14
"""Four hold the stamp as two channels, ten are a channel each: 12 channels."""

_PLAN = """
format = 1
name = "benchmark"
baseline = "as it is"
[machine]
title = "No machine"
[[condition]]
name = "as it is"
[start]
channel = "meter_r4"
on_above = 1000
off_below = 999
[settling]
required = ["meter_r4"]
"""
_STAMP = re.compile(
    rb'"%b": (\d+)\.0, "%b": (\d+)\.0' % (STAMP_HIGH.encode(), STAMP_LOW.encode())
)


@dataclass
class Run:
    """What one run has shown.

    Attributes:
        from_s, until_s: When it was, in bench time [s].
        delays_ms: From the meter's reply to the viewer, one for each reading and viewer [ms].
        late_ms: Of the polls [ms].
    """

    viewers: int
    from_s: float
    until_s: float
    cpu_percent: float
    delays_ms: Sequence[float]
    late_ms: Sequence[float] = field(default_factory=list)


# ---- the viewers' process


class Crowd:
    """Viewers that dial again and again, each in its own turn."""

    def __init__(self, address: str, viewers: int) -> None:
        parts = urlsplit(address)
        self._host, self._port = parts.hostname or "", parts.port or 0
        self._chooser = selectors.DefaultSelector()
        self._stalled = self._dial("/api/live", receive_bytes=4096)
        self._streams = [self._stream() for _ in range(viewers - 1)]
        self._redial_s = REDIAL_S / max(len(self._streams), 1)
        self._next_s = time.monotonic() + self._redial_s
        self._turn = 0
        self.delays_ms: list[float] = []

    def watch(self, pipe: Connection) -> None:
        """Take what comes until there is word."""
        self._chooser.register(pipe, selectors.EVENT_READ)
        while not pipe.poll():
            timeout_s = max(self._next_s - time.monotonic(), 0.0)
            for key, _ in self._chooser.select(timeout_s):
                if isinstance(key.fileobj, socket.socket):
                    self._take(key.fileobj, key.data)
            if time.monotonic() >= self._next_s:
                self._dial_again()
        self._chooser.unregister(pipe)

    def _take(self, connection: socket.socket, kept: bytearray | None) -> None:
        data = connection.recv(65536)
        now_ns = time.monotonic_ns()
        if not data:
            self._leave(connection)
        elif kept is not None:
            kept += data
            *events, rest = kept.split(b"\n\n")
            kept[:] = rest
            self.delays_ms += _delays_ms(events, now_ns)

    def _dial_again(self) -> None:
        """The next viewer begins anew, with all that the page asks for then."""
        self._next_s += self._redial_s
        self._turn = (self._turn + 1) % len(self._streams)
        self._leave(self._streams[self._turn])
        self._streams[self._turn] = self._stream()
        for path in ("/api/state", "/api/trace"):
            asking = self._dial(path)
            self._chooser.register(asking, selectors.EVENT_READ, None)

    def _stream(self) -> socket.socket:
        stream = self._dial("/api/live")
        self._chooser.register(stream, selectors.EVENT_READ, bytearray())
        return stream

    def _leave(self, connection: socket.socket) -> None:
        with contextlib.suppress(KeyError, ValueError):
            self._chooser.unregister(connection)
        connection.close()

    def _dial(self, path: str, *, receive_bytes: int | None = None) -> socket.socket:
        dialled = socket.socket()
        if receive_bytes is not None:
            dialled.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
        dialled.connect((self._host, self._port))
        closes = "" if path == "/api/live" else "Connection: close\r\n"
        dialled.sendall(
            f"GET {path} HTTP/1.1\r\nHost: {self._host}:{self._port}\r\n{closes}\r\n".encode()
        )
        return dialled


def _delays_ms(events: Iterable[bytes | bytearray], now_ns: int) -> Iterator[float]:
    for event in events:
        if found := _STAMP.search(event):
            yield (now_ns - ((int(found[1]) << 32) + int(found[2]))) / 1e6


def watch(address: str, viewers: int, pipe: Connection) -> None:
    """Be the viewers: until told to begin anew, and then until told to stop."""
    os.nice(NICENESS)
    crowd = Crowd(address, viewers)
    pipe.send("watching")
    crowd.watch(pipe)
    pipe.recv()
    crowd.delays_ms.clear()
    crowd.watch(pipe)
    pipe.send(crowd.delays_ms)


@contextlib.asynccontextmanager
async def _watched(address: str, viewers: int) -> AsyncIterator[Connection]:
    """The viewers' process, for as long as the block lasts."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(
        target=watch, args=(address, viewers, theirs), daemon=True
    )
    process.start()
    theirs.close()  # else its end would not be heard
    try:
        await _heard(ours)
        yield ours
    finally:
        process.terminate()
        process.join()


async def _heard(pipe: Connection) -> object:
    async with asyncio.timeout(PATIENCE_S):
        while not pipe.poll():  # noqa: ASYNC110 - a pipe sets no event
            await asyncio.sleep(0.02)
    return pipe.recv()


# ---- the service


class _Announced:
    """The service's screen: notes where the page is, and shows nothing."""

    def __init__(self) -> None:
        self.page: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    def attach(self, on_told: Callable[..., None]) -> None:
        """There is no keyboard."""

    def refused(self, code: Refusal, text: str) -> None:
        """Nothing is typed here."""

    def started(self, *, page_url: str, broker: str, words: str) -> None:
        """Note where the page is."""
        del broker, words
        self.page.set_result(page_url)

    def show(self, snapshot: Snapshot) -> None:
        """Nothing."""

    def event(self, line: EventLine) -> None:
        """Nothing."""


async def measure(bench: Bench, plan: Plan, folder: Path, polls: int) -> list[Run]:
    """All runs with one service."""
    interval_s = bench.instruments[0].interval_s
    display, clock = _Announced(), Clock()
    around = Surroundings(
        bench=bench,
        store_path=folder / bench.store,
        base=folder,
        clock=clock,
        display=display,
    )
    async with asyncio.TaskGroup() as tasks:
        service = tasks.create_task(run_session(around, plan, new_session=True))
        page = await display.page
        runs = [
            await _run(page, viewers, clock=clock, lasts_s=asked * interval_s)
            for viewers, asked in (
                (0, polls),
                (200, polls),
                (0, polls),
                (20, polls // 5),
            )
        ]
        os.kill(os.getpid(), signal.SIGTERM)
        await service
    return runs


async def _run(page: str, viewers: int, *, clock: Clock, lasts_s: float) -> Run:
    if not viewers:
        await asyncio.sleep(_WARM_UP_S)
        return await _lasting(viewers, clock, lasts_s)
    async with _watched(page, viewers) as pipe:
        await asyncio.sleep(_WARM_UP_S)
        pipe.send("anew")
        run = await _lasting(viewers, clock, lasts_s)
        pipe.send("stop")
        delays = await _heard(pipe)
    if not isinstance(delays, list):
        msg = f"the viewers said {delays!r}, expected delays"
        raise TypeError(msg)
    run.delays_ms = delays
    return run


async def _lasting(viewers: int, clock: Clock, lasts_s: float) -> Run:
    cpu_from_s, from_s = cpu_s(), clock.bench_s()
    await asyncio.sleep(lasts_s)
    until_s = clock.bench_s()
    cpu_percent = 100.0 * (cpu_s() - cpu_from_s) / (until_s - from_s)
    return Run(viewers, from_s, until_s, cpu_percent, [])


def take_lateness(
    runs: Sequence[Run], times_s: Sequence[float], interval_s: float
) -> None:
    """Add to every run how late its polls were.

    Args:
        runs: To be completed.
        times_s: Of all stored readings, in bench time [s].
        interval_s: From poll to poll [s].
    """
    # Before the first run the line was opened, and its deadlines begin with that.
    counted_s = [at_s for at_s in times_s if at_s >= runs[0].from_s]
    middle_s = counted_s[0] - interval_s / 2.0
    anchor_s = middle_s - _EARLY_S
    anchor_s += median([(at_s - middle_s) % interval_s for at_s in counted_s])
    off_s = [(at_s - anchor_s) % interval_s for at_s in counted_s]
    earliest_s = min(off_s)
    for run in runs:
        run.late_ms = [
            (off - earliest_s) * 1e3
            for at_s, off in zip(counted_s, off_s, strict=True)
            if run.from_s <= at_s < run.until_s
        ]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="What viewers cost the service.")
    parser.add_argument("--quick", action="store_true", help="a tenth of the polls")
    parser.add_argument("--interval-s", type=float, default=INTERVAL_S)
    options = parser.parse_args()
    polls = POLLS // 10 if options.quick else POLLS
    with tempfile.TemporaryDirectory() as name, running_meter(None) as meter:
        folder = Path(name)
        bench = register_bench(
            port=meter.path,
            baud=38400,
            registers=_REGISTERS,
            interval_s=options.interval_s,
            with_stamp=True,
        )
        plan = parse_plan(_PLAN, file="plan.toml", bench=bench)
        runs = asyncio.run(measure(bench, plan, folder, polls))
        times_s = [
            float(str(row[1]))
            for stored in read_readings(folder / bench.store)
            for row in stored.rows
        ]
    take_lateness(runs, times_s, options.interval_s)
    show_table(
        f"Viewers of the whole service, {polls} polls a run, one each {options.interval_s:g} s, load {os.getloadavg()[0]:.1f}",
        ("viewers", "meter to viewer p50 ms", "p99 ms", "readings", "polls", "late p50 ms", "p99 ms", "latest ms", "CPU %"),
        [_row(run) for run in runs],
    )  # fmt: skip
    _show_goals(*runs)


def _show_goals(before: Run, many: Run, after: Run, few: Run) -> None:
    alone_ms = percentile([*before.late_ms, *after.late_ms], 99.0)
    with_ms = percentile(many.late_ms, 99.0)
    say(f"poll's p99 with 200 viewers: {with_ms / alone_ms:.2f} times that without")
    limit_ms = round(max(1.5 * alone_ms, alone_ms + 2.0), 2)
    show_goal("poll's p99 with 200 viewers, ms", with_ms, at_most=limit_ms)
    for run, goal_ms in ((few, 20.0), (many, 50.0)):
        words = f"p99 from the meter to {run.viewers} viewers, ms"
        show_goal(words, percentile(run.delays_ms, 99.0), at_most=goal_ms)


def _row(run: Run) -> tuple[str, ...]:
    return (
        str(run.viewers),
        f"{percentile(run.delays_ms, 50.0):.2f}",
        f"{percentile(run.delays_ms, 99.0):.2f}",
        str(len(run.delays_ms)),
        str(len(run.late_ms)),
        f"{percentile(run.late_ms, 50.0):.2f}",
        f"{percentile(run.late_ms, 99.0):.2f}",
        f"{max(run.late_ms, default=0.0):.2f}",
        f"{run.cpu_percent:.1f}",
    )


if __name__ == "__main__":
    main()
