"""What viewers of the page cost: how soon a pushed reading reaches them, and what they do to the poll's punctuality.

    python tests/benchmarks/viewers.py [--quick]

One process serves the page and keeps deadlines; the viewers are one niced process with a raw socket each, one of
200 takes nothing. Ten readings of twelve values a second go out, half a millisecond before a deadline, where they
harm most. Deadlines are absolute and come a hundred times a second, to have 5000 of them in 50 s; without viewers, with
200, and without again. Last: what the page weighs on the wire.

What the whole service does with viewers is measured by viewers_of_service.py.

Goals: issue 5 (20 ms and 50 ms at p99; lateness at most 1.5 times that without viewers, or 2 ms more; 150 KB).
"""

import asyncio
import contextlib
import gzip
import json
import multiprocessing
import os
import re
import selectors
import socket
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

# Run as a script, the folder of the project is not on the search path.
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.runtime.web import AccessKeys, Page
from tests.benchmarks.measuring import (
    cpu_s,
    percentile,
    say,
    show_goal,
    show_table,
)
from tests.runtime.faces import FakeFace

DEADLINES = 5000
DEADLINE_EVERY_S = 0.01
READING_EVERY = 10  # deadlines
BEFORE_DEADLINE_S = 0.0005
NICENESS = 10
PATIENCE_S = 30.0
_STAMP = re.compile(rb'"stamp_ns": (\d+)')


@dataclass(frozen=True, slots=True)
class Run:
    """What one run has shown.

    Attributes:
        delays_ms: From the push to the viewer, one for each reading and viewer [ms].
        late_ms: Of the deadlines [ms].
    """

    viewers: int
    delays_ms: Sequence[float]
    late_ms: Sequence[float]
    cpu_percent: float


# ---- the viewers' process


def watch(address: str, quick: int, stalled: int, pipe: Connection) -> None:
    """Read the stream over many connections until told to stop, and tell the delays."""
    os.nice(NICENESS)
    chooser = selectors.DefaultSelector()
    idle = [_dial(address, 4096) for _ in range(stalled)]
    for _ in range(quick):
        chooser.register(_dial(address, None), selectors.EVENT_READ, bytearray())
    chooser.register(pipe, selectors.EVENT_READ, None)
    pipe.send("watching")
    delays_ms: list[float] = []
    while not pipe.poll():
        for key, _ in chooser.select():
            if key.fileobj is not pipe:
                delays_ms += _delays_ms(key.fd, key.data)
    pipe.send(delays_ms)
    for viewer in idle:
        viewer.close()


def _dial(address: str, buffer_bytes: int | None) -> socket.socket:
    parts = urlsplit(address)
    viewer = socket.socket()
    if buffer_bytes is not None:
        viewer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer_bytes)
    viewer.connect((parts.hostname, parts.port))
    viewer.sendall(f"GET /api/live HTTP/1.1\r\nHost: {parts.netloc}\r\n\r\n".encode())
    return viewer


def _delays_ms(connection: int, kept: bytearray) -> Iterator[float]:
    kept += os.read(connection, 65536)
    now_ns = time.monotonic_ns()
    *events, rest = kept.split(b"\n\n")
    kept[:] = rest
    for event in events:
        if found := _STAMP.search(event):
            yield (now_ns - int(found[1])) / 1e6


@contextlib.asynccontextmanager
async def _watched(page: Page, viewers: int, stalled: int) -> AsyncIterator[Connection]:
    """The viewers' process, for as long as the block lasts."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    words = (page.url, viewers - stalled, stalled, theirs)
    process = context.Process(target=watch, args=words, daemon=True)
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


# ---- the page's process


async def run_with(page: Page, viewers: int, *, stalled: int, deadlines: int) -> Run:
    """One run, with or without viewers."""
    if not viewers:
        late_ms, cpu_percent = await _keep_deadlines(page, deadlines)
        return Run(0, [], late_ms, cpu_percent)
    async with _watched(page, viewers, stalled) as pipe:
        async with asyncio.timeout(PATIENCE_S):
            while page.viewers < viewers:  # noqa: ASYNC110 - nothing tells it
                await asyncio.sleep(0.02)
        late_ms, cpu_percent = await _keep_deadlines(page, deadlines)
        pipe.send("stop")
        page.push("beat", "{}")
        delays = await _heard(pipe)
    async with asyncio.timeout(PATIENCE_S):
        while page.viewers:
            page.push("beat", "{}")
            await asyncio.sleep(0.02)
    if not isinstance(delays, list):
        msg = f"the viewers said {delays!r}, expected delays"
        raise TypeError(msg)
    return Run(viewers, delays, late_ms, cpu_percent)


async def _keep_deadlines(page: Page, deadlines: int) -> tuple[list[float], float]:
    loop = asyncio.get_running_loop()
    late_ms: list[float] = []
    done = asyncio.Event()
    cpu_from_s, begin_s = cpu_s(), loop.time() + 0.1

    def keep(number: int) -> None:
        due_s = begin_s + number * DEADLINE_EVERY_S
        late_ms.append((loop.time() - due_s) * 1e3)
        if number == deadlines:
            done.set()
        else:
            loop.call_at(due_s + DEADLINE_EVERY_S, keep, number + 1)

    def push(number: int) -> None:
        _push_reading(page)
        if number + READING_EVERY <= deadlines:
            later_s = (number + READING_EVERY) * DEADLINE_EVERY_S
            loop.call_at(
                begin_s + later_s - BEFORE_DEADLINE_S, push, number + READING_EVERY
            )

    loop.call_at(begin_s, keep, 0)
    loop.call_at(begin_s - BEFORE_DEADLINE_S, push, 0)
    await done.wait()
    lasted_s = deadlines * DEADLINE_EVERY_S
    return late_ms, 100.0 * (cpu_s() - cpu_from_s) / lasted_s


def _push_reading(page: Page) -> None:
    values = {f"channel_{n}": 1000.25 + n for n in range(12)}
    stamp_ns = time.monotonic_ns()
    reading = {"instrument": "meter", "at_s": 1.0, "stamp_ns": stamp_ns}
    page.push("reading", json.dumps({**reading, "values": values}))


async def measure(deadlines: int) -> list[Run]:
    """All runs on one page."""
    runs = []
    with tempfile.TemporaryDirectory() as folder:
        page = Page(face=FakeFace(), port=0, keys=AccessKeys(Path(folder) / "keys"))
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(page.run())
            for viewers, stalled in ((0, 0), (200, 1), (0, 0), (20, 0)):
                runs.append(
                    await run_with(page, viewers, stalled=stalled, deadlines=deadlines)
                )
            page_kb = await asyncio.to_thread(weigh, page.url)
            page.stop()
    say(f"page on the wire, everything of the first load: {page_kb:.1f} KB")
    show_goal("page on the wire, KB", page_kb, at_most=150.0)
    return runs


# ---- weight


def weigh(url: str) -> float:
    """Bytes of the bodies that a first load fetches, as they go over the wire [KB]."""
    wanted, weights = {""}, dict[str, int]()
    while wanted:
        name = wanted.pop()
        text, weights[name] = _fetch(f"{url}{name}")
        named = re.findall(r'(?:src|href)="/([\w.-]+)"|"\./([\w.-]+\.js)"', text)
        wanted |= {first or second for first, second in named} - set(weights)
    return sum(weights.values()) / 1e3


def _fetch(url: str) -> tuple[str, int]:
    request = Request(url, headers={"accept-encoding": "gzip"})  # noqa: S310 - our own page
    with urlopen(request) as reply:  # noqa: S310 - our own page
        body = reply.read()
    return gzip.decompress(body).decode(), len(body)


def main() -> None:
    """Measure and print."""
    deadlines = DEADLINES // 10 if "--quick" in sys.argv else DEADLINES
    runs = asyncio.run(measure(deadlines))
    show_table(
        f"Viewers of the page, {deadlines} deadlines a run, load {os.getloadavg()[0]:.1f}",
        ("viewers", "delay p50 ms", "p99 ms", "readings", "late p50 ms", "p99 ms", "CPU %"),
        [_row(run) for run in runs],
    )  # fmt: skip
    before, many, after, few = runs
    alone_ms = percentile([*before.late_ms, *after.late_ms], 99.0)
    with_ms = percentile(many.late_ms, 99.0)
    say(f"lateness p99 with 200 viewers: {with_ms / alone_ms:.2f} times that without")
    show_goal("p99 to 20 viewers, ms", percentile(few.delays_ms, 99.0), at_most=20.0)
    show_goal("p99 to 200 viewers, ms", percentile(many.delays_ms, 99.0), at_most=50.0)
    show_goal(
        "lateness p99, ms",
        with_ms,
        at_most=round(max(1.5 * alone_ms, alone_ms + 2.0), 2),
    )


def _row(run: Run) -> tuple[str, ...]:
    return (
        str(run.viewers),
        f"{percentile(run.delays_ms, 50.0):.2f}",
        f"{percentile(run.delays_ms, 99.0):.2f}",
        str(len(run.delays_ms)),
        f"{percentile(run.late_ms, 50.0):.2f}",
        f"{percentile(run.late_ms, 99.0):.2f}",
        f"{run.cpu_percent:.1f}",
    )


if __name__ == "__main__":
    main()
