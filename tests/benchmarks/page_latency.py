"""How long a reading takes until the page shows it: from its arrival to the frame whose document holds all its figures.

    python tests/benchmarks/page_latency.py [--readings N]

The real page server and Chromium without a window, on one machine: one meter with twelve channels, three of them required, ten readings a second;
beside them what a session sends, a state a second and a point of the funnels every two. Every reading has values of its own. In the
page a script looks once a frame, after it was drawn, for the reading whose values stand in all twelve places and in the digits, and
notes the time by the page's clock; that clock is held against ours before and after. The time of arrival is the time of the push: what
lies before it is measured by path.py.

Goals: 60 ms for half of the readings, 150 ms for 99 %.
"""

import argparse
import asyncio
import contextlib
import dataclasses
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from playwright.async_api import Browser, ViewportSize, async_playwright
from playwright.async_api import Page as Tab

from daq.runtime.snapshot import (
    ChannelLine,
    EventLine,
    InstrumentLine,
    Snapshot,
    StageLine,
)
from daq.runtime.web import AccessKeys, Page
from tests.benchmarks.measuring import percentile, say, show_goal, show_table
from tests.runtime.faces import NOW_S, SNAPSHOT, FakeFace

CHANNELS = 12
REQUIRED = 3
INTERVAL_S = 0.1
STATE_EVERY, FUNNEL_EVERY = 10, 20  # readings
READINGS = 900
WARM_UP = 50
"""Readings that are shown before anything counts: a browser compiles what it has seen a few times."""

DESK = ViewportSize(width=1280, height=800)
PATIENCE_MS = 20_000.0
_FIRST_VALUE = 1000
_HANDSHAKES = 20
_NAMES = tuple(f"c{number}" for number in range(CHANNELS))

_WATCH = """
(() => {
  window.shown = []; // [value, time by the page's clock in ms], from the first frame that has it
  const texts = (list) => [...document.querySelectorAll(`#${list} .value`)].map((node) => node.textContent);
  const afterFrame = new MessageChannel();
  let last = null;
  afterFrame.port1.onmessage = () => {
    const all = [...texts("digits"), ...texts("channels")];
    const one = all.length === PLACES && new Set(all).size === 1 ? all[0] : null;
    if (one !== null && one !== last) window.shown.push([one, performance.timeOrigin + performance.now()]);
    if (one !== null) last = one;
  };
  const look = () => {
    afterFrame.port2.postMessage(null);
    requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
})();
""".replace("PLACES", str(CHANNELS + REQUIRED))
_CLOCK = "performance.timeOrigin + performance.now()"


@dataclass(frozen=True, slots=True)
class Shown:
    """What came of the readings.

    Attributes:
        delays_ms: From a reading's arrival to its frame [ms].
        pushed: [1] readings.
        late_ms: Of the pushes, after their deadlines [ms].
        offset_ms: The page's clock less ours, before and after [ms].
    """

    delays_ms: Sequence[float]
    pushed: int
    late_ms: Sequence[float]
    offset_ms: tuple[float, float]


def _channel(number: int) -> ChannelLine:
    return dataclasses.replace(
        SNAPSHOT.channels[0],
        name=_NAMES[number],
        title=f"Channel {number}",
        decimals=0,
        required=number < REQUIRED,
        instrument="meter",
        interval_s=INTERVAL_S,
        value=0.0,
    )


def bench_snapshot(*, speed: float = 1.0) -> Snapshot:
    """A bench with one meter of twelve channels, a trial in hand."""
    return dataclasses.replace(
        SNAPSHOT,
        clock=dataclasses.replace(SNAPSHOT.clock, speed=speed),
        channels=tuple(_channel(number) for number in range(CHANNELS)),
        instruments=(InstrumentLine("meter", "ports/mains", "ok", "ten a second", 0, 0),),
        comparison=None,
    )  # fmt: skip


class FedPage:
    """The page of a bench that exists in no other way; feeds it readings and what goes with them."""

    def __init__(self, page: Page, face: FakeFace) -> None:
        self.page = page
        self.face = face

    def push_reading(self, at_s: float, value: float) -> None:
        """All channels read the same."""
        values = dict.fromkeys(_NAMES, value)
        self._push("reading", instrument="meter", at_s=at_s, values=values)

    def push_state(self, at_s: float, *, started_s: float) -> None:
        """The clock, and a stage that goes on; a trial that began at another time is another one."""
        before = self.face.snapshot
        trial = before.trial
        if trial is not None:
            trial = dataclasses.replace(trial, started_s=started_s, window_s=None)
        stage = StageLine("settling", started_s, 0.5, 40.0, f"about {40 + round(at_s) % 20} s more", "Settling.")  # fmt: skip
        clock = dataclasses.replace(before.clock, now_s=at_s)
        self.face.snapshot = dataclasses.replace(
            before, clock=clock, stage=stage, trial=trial
        )
        whole = json.loads(self.face.state())
        self._push("state", **{part: whole[part] for part in ("clock", "stage", "trial")})  # fmt: skip

    def push_funnels(self, at_s: float, mean: float) -> None:
        """One point for each required channel."""
        for name in _NAMES[:REQUIRED]:
            self._push("funnel", channel=name, tolerance=5.0, at_s=at_s, mean=mean, bound=9.0)  # fmt: skip

    def push_events(self, events: tuple[EventLine, ...]) -> None:
        """What happened, newest first."""
        self.face.snapshot = dataclasses.replace(self.face.snapshot, events=events)
        whole = json.loads(self.face.state())
        self._push("state", clock=whole["clock"], events=whole["events"])

    def _push(self, event: str, **told: object) -> None:
        self.page.push(event, json.dumps(told))


@contextlib.asynccontextmanager
async def fed_page(*, speed: float = 1.0) -> AsyncIterator[FedPage]:
    """The page, served for as long as this lasts."""
    face = FakeFace(bench_snapshot(speed=speed))
    face.recent, face.funnels = {}, {}
    with tempfile.TemporaryDirectory() as folder:
        page = Page(face=face, port=0, keys=AccessKeys(Path(folder) / "keys"))
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(page.run())
            try:
                yield FedPage(page, face)
            finally:
                page.stop()


@contextlib.asynccontextmanager
async def chromium() -> AsyncIterator[Browser]:
    """A browser without a window.

    Raises:
        FileNotFoundError: If there is none.
    """
    path = shutil.which("chromium")
    if path is None:
        msg = "no chromium on the search path, expected one to measure with"
        raise FileNotFoundError(msg)
    async with async_playwright() as driver:
        # Containers grant no sandbox; the only page it ever shows is our own.
        browser = await driver.chromium.launch(
            executable_path=path, args=["--no-sandbox"]
        )
        yield browser
        await browser.close()


async def open_live(tab: Tab, url: str) -> None:
    """Open the page; back once it hears the bench."""
    tab.set_default_timeout(PATIENCE_MS)
    await tab.goto(url)
    await tab.wait_for_selector("body[data-link=live]")
    await tab.wait_for_selector(f"#channels > :nth-child({CHANNELS})")


async def _handshake(tab: Tab) -> tuple[float, float]:
    """The quickest of some: how long it took, and the page's clock less ours [ms]."""
    found = []
    for _ in range(_HANDSHAKES):
        asked_ms = time.time() * 1e3
        page_ms = float(await tab.evaluate(_CLOCK))
        answered_ms = time.time() * 1e3
        found.append((answered_ms - asked_ms, page_ms - (asked_ms + answered_ms) / 2.0))
    return min(found)


async def _feed(fed: FedPage, readings: int) -> tuple[dict[str, float], list[float]]:
    """Push readings at absolute deadlines; when each was pushed [ms since 1970], by its text, and how late [ms]."""
    pushed_ms: dict[str, float] = {}
    late_ms = []
    begin_s = time.monotonic() + INTERVAL_S
    for number in range(readings):
        due_s = begin_s + number * INTERVAL_S
        await asyncio.sleep(max(0.0, due_s - time.monotonic()))
        late_ms.append((time.monotonic() - due_s) * 1e3)
        at_s, value = NOW_S + number * INTERVAL_S, _FIRST_VALUE + number
        pushed_ms[str(value)] = time.time() * 1e3
        fed.push_reading(at_s, float(value))
        if number % STATE_EVERY == 0:
            fed.push_state(at_s, started_s=NOW_S - 60.0)
        if number % FUNNEL_EVERY == 0:
            fed.push_funnels(at_s, float(value))
    return pushed_ms, late_ms


async def measure(readings: int) -> Shown:
    """Feed the page and read off what it has shown when."""
    async with fed_page() as fed, chromium() as browser:
        tab = await browser.new_page(viewport=DESK)
        await tab.add_init_script(_WATCH)
        await open_live(tab, fed.page.url)
        before = await _handshake(tab)
        pushed_ms, late_ms = await _feed(fed, WARM_UP + readings)
        last = str(_FIRST_VALUE + WARM_UP + readings - 1)
        await tab.wait_for_function("(last) => shown.at(-1)?.[0] === last", arg=last)
        after = await _handshake(tab)
        shown: list[tuple[str, float]] = await tab.evaluate("shown")
    _, offset_ms = min(before, after)
    delays_ms = [
        at_ms - offset_ms - pushed_ms[text]
        for text, at_ms in shown
        if text in pushed_ms and int(text) >= _FIRST_VALUE + WARM_UP
    ]
    return Shown(delays_ms, readings, late_ms, (before[1], after[1]))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Measure how soon the page shows.")
    parser.add_argument("--readings", type=int, default=READINGS, metavar="N")
    options = parser.parse_args()
    found = asyncio.run(measure(options.readings))
    delays_ms = found.delays_ms
    p50_ms, p99_ms = percentile(delays_ms, 50.0), percentile(delays_ms, 99.0)
    show_table(
        f"From a reading's arrival to its frame, {CHANNELS} channels, 10 a second, load {os.getloadavg()[0]:.1f}",
        ("shown", "p50 ms", "p90 ms", "p99 ms", "longest ms", "pushed late p99 ms"),
        [
            (
                f"{len(delays_ms)} of {found.pushed}",
                f"{p50_ms:.1f}",
                f"{percentile(delays_ms, 90.0):.1f}",
                f"{p99_ms:.1f}",
                f"{max(delays_ms):.1f}",
                f"{percentile(found.late_ms, 99.0):.1f}",
            )
        ],
    )
    before_ms, after_ms = found.offset_ms
    say(
        f"the page's clock less ours: {before_ms:.2f} ms before, {after_ms:.2f} ms after"
    )
    show_goal("p50 to the frame, ms", p50_ms, at_most=60.0)
    show_goal("p99 to the frame, ms", p99_ms, at_most=150.0)


if __name__ == "__main__":
    main()
