"""The whole path: from the moment a meter hands over its reply to the moment a browser, or a subscriber, has the reading.

    python tests/benchmarks/path.py

The program is the real daemon with everything on: one meter with 12 channels polled ten times a second, a session (that waits for its
machine), store (a commit twice a second), embedded broker, page. Twenty viewers of the page's live stream are one process, a subscriber
of the live topic another. The meter writes the time into its reply; both processes subtract it from the time at which they
have the event in hand. A third process only sleeps and says how late it is woken: what the machine itself adds at each step.
"""

import asyncio
import contextlib
import json
import multiprocessing
import os
import re
import resource
import selectors
import signal
import socket
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from urllib.parse import urlsplit

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import aiomqtt

from daq.config.bench import Bench
from daq.config.plan import Plan, parse_plan
from daq.errors import Refusal
from daq.messages import Topics
from daq.runtime.clock import Clock
from daq.runtime.daemon import Surroundings, run_session
from daq.runtime.snapshot import EventLine, Snapshot
from daq.runtime.store import read_readings
from tests.benchmarks.measuring import cpu_s, percentile, say, show_goal, show_table
from tests.benchmarks.meter_process import running_meter
from tests.benchmarks.register_bench import STAMP_HIGH, STAMP_LOW, register_bench

VIEWERS = 20
POLLS_A_SECOND = 10
MEASURED_S = 20.0
_WARM_UP_S = 2.0
_NAP_S = 0.0205
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
_SSE_STAMP = re.compile(
    rb'"%b": (\d+)\.0, "%b": (\d+)\.0' % (STAMP_HIGH.encode(), STAMP_LOW.encode())
)


@dataclass
class Arrivals:
    """What one listener saw."""

    delays_ms: list[float] = field(default_factory=list)

    def add(self, high: float, low: float, now_ns: int) -> None:
        """One reading, by its stamp."""
        self.delays_ms.append((now_ns - ((int(high) << 32) + int(low))) / 1e6)


# ---- the viewers' process


def watch_page(address: str, count: int, pipe: Connection) -> None:
    """Read the live stream over `count` connections until told to stop."""
    chooser = selectors.DefaultSelector()
    host, port = urlsplit(address).hostname or "", urlsplit(address).port or 0
    for _ in range(count):
        viewer = socket.create_connection((host, port))
        viewer.sendall(
            f"GET /api/live HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode()
        )
        chooser.register(viewer, selectors.EVENT_READ, bytearray())
    chooser.register(pipe, selectors.EVENT_READ, None)
    arrivals = Arrivals()
    pipe.send("watching")
    while _take_events(chooser, arrivals, pipe):
        pass
    pipe.send(arrivals.delays_ms)


def _take_events(
    chooser: selectors.BaseSelector, arrivals: Arrivals, pipe: Connection
) -> bool:
    """Take what has come; false once there is word to stop or to begin anew."""
    for key, _ in chooser.select():
        if key.fileobj is pipe:
            if pipe.recv() == "stop":
                return False
            arrivals.delays_ms.clear()
            continue
        data = os.read(key.fd, 65536)
        now_ns = time.monotonic_ns()
        kept: bytearray = key.data
        kept += data
        *events, rest = kept.split(b"\n\n")
        kept[:] = rest
        for event in events:
            if match := _SSE_STAMP.search(event):
                arrivals.add(float(match[1]), float(match[2]), now_ns)
    return True


# ---- the subscriber's process


def subscribe(host: str, port: int, topic: str, pipe: Connection) -> None:
    """Take the live readings until told to stop."""
    asyncio.run(_subscribe(host, port, topic, pipe))


async def _subscribe(host: str, port: int, topic: str, pipe: Connection) -> None:
    arrivals = Arrivals()
    stopped = asyncio.Event()

    def told() -> None:
        if pipe.recv() == "stop":
            stopped.set()
        else:
            arrivals.delays_ms.clear()

    asyncio.get_running_loop().add_reader(pipe.fileno(), told)
    async with aiomqtt.Client(host, port) as client, asyncio.TaskGroup() as tasks:
        await client.subscribe(topic)
        taking = tasks.create_task(_take_messages(client, arrivals))
        pipe.send("subscribed")
        await stopped.wait()
        taking.cancel()
    pipe.send(arrivals.delays_ms)


async def _take_messages(client: aiomqtt.Client, arrivals: Arrivals) -> None:
    async for message in client.messages:
        now_ns = time.monotonic_ns()
        values = {r["n"]: r["v"] for r in json.loads(message.payload) if "v" in r}
        arrivals.add(values[STAMP_HIGH], values[STAMP_LOW], now_ns)


# ---- the yardstick's process


def sleep_and_wake(pipe: Connection) -> None:
    """Sleep from deadline to deadline and note how late each wake-up is."""
    lateness_ms: list[float] = []
    pipe.send("sleeping")
    deadline_s = time.monotonic()
    while True:
        deadline_s += _NAP_S
        if pipe.poll(max(deadline_s - time.monotonic(), 0.0)):
            if pipe.recv() == "stop":
                break
            lateness_ms.clear()
            continue
        lateness_ms.append((time.monotonic() - deadline_s) * 1e3)
    pipe.send(lateness_ms)


# ---- the daemon


class _Announced:
    """The daemon's screen: notes where page and broker are, and shows nothing."""

    def __init__(self) -> None:
        self.where: asyncio.Future[tuple[str, str]] = (
            asyncio.get_running_loop().create_future()
        )

    def attach(self, on_told: Callable[..., None]) -> None:
        """There is no keyboard."""

    def refused(self, code: Refusal, text: str) -> None:
        """Nothing is typed here."""

    def started(self, *, page_url: str, broker: str, words: str) -> None:
        """Note where page and broker are."""
        del words
        self.where.set_result((page_url, broker))

    def show(self, snapshot: Snapshot) -> None:
        """Nothing."""

    def event(self, line: EventLine) -> None:
        """Nothing."""


@dataclass
class _Listener:
    """A listening process and the pipe to it."""

    process: multiprocessing.process.BaseProcess
    pipe: Connection

    async def heard(self) -> object:
        """Its next word, without holding up the daemon."""
        loop = asyncio.get_running_loop()
        ready = loop.create_future()
        loop.add_reader(self.pipe.fileno(), ready.set_result, None)
        try:
            await ready
        finally:
            loop.remove_reader(self.pipe.fileno())
        return self.pipe.recv()


@dataclass
class PathMeasured:
    """All of one run."""

    viewers_ms: Sequence[float]
    subscriber_ms: Sequence[float]
    wakeups_ms: Sequence[float]
    cpu_percent: float
    rss_mb: float


async def measure(bench: Bench, plan: Plan, folder: Path) -> PathMeasured:
    """Run the daemon and its listeners for the time of the measurement."""
    display = _Announced()
    async with asyncio.TaskGroup() as tasks:
        daemon = tasks.create_task(
            run_session(
                Surroundings(
                    bench=bench,
                    store_path=folder / bench.store,
                    base=folder,
                    clock=Clock(),
                    display=display,
                ),
                plan,
                new_session=True,
            )
        )
        page, broker = await display.where
        with _listeners(page, broker, bench) as listeners:
            measured = await _listen(listeners)
        os.kill(os.getpid(), signal.SIGTERM)
        await daemon
    return measured


@contextlib.contextmanager
def _listeners(page: str, broker: str, bench: Bench) -> Iterator[list[_Listener]]:
    """Both listening processes, for as long as the block lasts."""
    context = multiprocessing.get_context("spawn")
    host, _, port = broker.partition(":")
    topic = Topics(bench=bench.name).live(bench.instruments[0].name)
    listeners = []
    for target, words in (
        (watch_page, (page, VIEWERS)),
        (subscribe, (host, int(port), topic)),
        (sleep_and_wake, ()),
    ):
        ours, theirs = context.Pipe()
        process = context.Process(target=target, args=(*words, theirs), daemon=True)
        process.start()
        theirs.close()  # else its end would not be heard
        listeners.append(_Listener(process, ours))
    try:
        yield listeners
    finally:
        for listener in listeners:
            listener.process.terminate()
            listener.process.join()


async def _listen(listeners: Sequence[_Listener]) -> PathMeasured:
    for listener in listeners:
        await listener.heard()
    await asyncio.sleep(_WARM_UP_S)
    for listener in listeners:
        listener.pipe.send("anew")
    cpu_from, begin_s = cpu_s(), time.monotonic()
    await asyncio.sleep(MEASURED_S)
    cpu_percent = 100.0 * (cpu_s() - cpu_from) / (time.monotonic() - begin_s)
    for listener in listeners:
        listener.pipe.send("stop")
    viewers, subscriber, wakeups = [_delays(await each.heard()) for each in listeners]
    rss_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    return PathMeasured(viewers, subscriber, wakeups, cpu_percent, rss_mb)


def _delays(told: object) -> list[float]:
    if not isinstance(told, list):
        msg = f"a listener said {told!r}, expected delays"
        raise TypeError(msg)
    return told


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as name, running_meter(None) as meter:
        folder = Path(name)
        bench = register_bench(
            port=meter.path,
            baud=38400,
            registers=_REGISTERS,
            interval_s=1.0 / POLLS_A_SECOND,
            with_stamp=True,
        )
        plan = parse_plan(_PLAN, file="plan.toml", bench=bench)
        measured = asyncio.run(measure(bench, plan, folder))
        stored = sum(
            sum(1 for _ in kept.rows) for kept in read_readings(folder / bench.store)
        )
    expected = round(MEASURED_S * POLLS_A_SECOND)
    rows = [
        _row(f"page, {VIEWERS} viewers", measured.viewers_ms, VIEWERS * expected),
        _row("subscriber of the broker", measured.subscriber_ms, expected),
        _row(
            "a sleeper's wake-up",
            measured.wakeups_ms,
            round(MEASURED_S / _NAP_S),
        ),
    ]
    show_table(
        f"Meter's reply to consumer, {POLLS_A_SECOND} a second, 12 channels, everything on, {MEASURED_S:.0f} s",
        ("at", "p50 ms", "p99 ms", "longest ms", "arrived"),
        rows,
    )
    say(
        f"daemon: {measured.cpu_percent:.1f} % of a processor, {measured.rss_mb:.0f} MB at most; {stored} readings stored"
    )
    show_goal(
        "p99 meter to browser, ms", percentile(measured.viewers_ms, 99.0), at_most=50.0
    )
    say("")


def _row(name: str, delays_ms: Sequence[float], expected: int) -> tuple[str, ...]:
    return (
        name,
        f"{percentile(delays_ms, 50.0):.2f}",
        f"{percentile(delays_ms, 99.0):.2f}",
        f"{max(delays_ms, default=0.0):.1f}",
        f"{len(delays_ms)}/{expected}",
    )


if __name__ == "__main__":
    main()
