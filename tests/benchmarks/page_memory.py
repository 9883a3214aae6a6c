"""Does the page grow while it is open, and how soon and how heavily does it begin?

    python tests/benchmarks/page_memory.py [--hours H] [--speed S]

Growth: an hour of twelve channels read ten times a second, fed S times faster than life to the real page in Chromium without a
window, with a state a second, a point of the funnels every two, an event a minute and a new trial every ten. At the beginning and after each quarter the
feed rests, the browser collects its garbage, and the script's heap, the nodes of the document and the listeners are counted. The first
quarter fills what is kept (ten minutes of every trace); from then on nothing should grow. Each bench second of a fast feed brings what a real one does, but
frames come as in life: what drawing leaves behind is seen S times less often.

Beginning: pages with an empty cache, one after the other: the time from the click to the first content, and the bytes that came over the wire.

Goals: at the end at most 1.05 times what the first quarter left; first content within 1 s; 150 KB.
"""

import argparse
import asyncio
import math
import os
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from playwright.async_api import Browser, CDPSession
from playwright.async_api import Page as Tab

from daq.runtime.snapshot import EventLine
from tests.benchmarks.measuring import median, show_goal, show_table
from tests.benchmarks.page_latency import (
    DESK,
    FUNNEL_EVERY,
    INTERVAL_S,
    STATE_EVERY,
    FedPage,
    chromium,
    fed_page,
    open_live,
)
from tests.runtime.faces import NOW_S

SPEED = 40.0
QUARTERS = 4
LOADS = 5
TRIAL_S, EVENT_S = 600.0, 60.0
EVENTS_KEPT = 12
"""As many as the bench tells of."""

_TURN_S = 0.025
_LAST_VALUE = 999
"""No reading but the last before a rest has it."""

_HAS_DRAWN = """
(last) => [...document.querySelectorAll("#channels .value")].every((node) => node.textContent === last)
"""
_FIRST_CONTENT = """
() => new Promise((resolve) => {
  new PerformanceObserver((list) => {
    const [entry] = list.getEntriesByName("first-contentful-paint");
    if (entry) resolve(entry.startTime);
  }).observe({ type: "paint", buffered: true });
})
"""
_LOADED = """
() => [...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")]
  .filter(({ name }) => !name.includes("/api/"))
  .map(({ transferSize }) => transferSize)
"""


@dataclass(frozen=True, slots=True)
class Kept:
    """What the page holds at one moment, garbage collected.

    Attributes:
        at_s: Bench time since the beginning [s].
        heap_mb: Of the script [MB].
        nodes: [1] of the document.
        listeners: [1].
    """

    at_s: float
    heap_mb: float
    nodes: int
    listeners: int


@dataclass(frozen=True, slots=True)
class Load:
    """One page with an empty cache.

    Attributes:
        first_content_s: From the navigation to the first content [s].
        wire_kb: Of everything but the API, heads included [KB].
        files: [1].
    """

    first_content_s: float
    wire_kb: float
    files: int


# ---- growth


class _Feeder:
    """Feeds a page faster than life, in order of bench time."""

    def __init__(self, fed: FedPage, speed: float) -> None:
        self._fed, self._speed = fed, speed
        self._taken = 0
        self._events: tuple[EventLine, ...] = ()

    @property
    def now_s(self) -> float:
        return NOW_S + self._taken * INTERVAL_S

    async def feed(self, readings: int) -> None:
        """So many more readings."""
        begin_s, from_here = time.monotonic(), self._taken
        while self._taken < from_here + readings:
            passed_s = (time.monotonic() - begin_s) * self._speed
            due = min(from_here + int(passed_s / INTERVAL_S), from_here + readings)
            while self._taken < due:
                self._push_next()
            await asyncio.sleep(_TURN_S)
        self.rest()

    def rest(self) -> None:
        """One reading more, by which the page is seen to have drawn everything before it."""
        self._taken += 1
        self._fed.push_reading(self.now_s, float(_LAST_VALUE))

    def _push_next(self) -> None:
        self._taken += 1
        number, now_s = self._taken, self.now_s
        value = 1050.0 + 40.0 * math.sin(number / 97.0)
        self._fed.push_reading(now_s, value)
        if number % STATE_EVERY == 0:
            started_s = now_s - (now_s - NOW_S) % TRIAL_S
            self._fed.push_state(now_s, started_s=started_s)
        if number % FUNNEL_EVERY == 0:
            self._fed.push_funnels(now_s, value)
        if number % round(EVENT_S / INTERVAL_S) == 0:
            event = EventLine("2026-01-05T10:12:01.100Z", now_s, f"Event {number}.")
            self._events = (event, *self._events)[:EVENTS_KEPT]
            self._fed.push_events(self._events)


async def _kept(tab: Tab, wire: CDPSession, at_s: float) -> Kept:
    """Let the page draw what has come, collect the garbage, count."""
    await tab.wait_for_function(_HAS_DRAWN, arg=str(_LAST_VALUE))
    # What the first collection lets go may hold on to what the second can take.
    for _ in range(2):
        await wire.send("HeapProfiler.collectGarbage")
    heap = await wire.send("Runtime.getHeapUsage")
    told = await wire.send("Performance.getMetrics")
    metrics = {each["name"]: each["value"] for each in told["metrics"]}
    return Kept(
        at_s,
        heap["usedSize"] / 1e6,
        int(metrics["Nodes"]),
        int(metrics["JSEventListeners"]),
    )


async def measure_growth(browser: Browser, hours: float, speed: float) -> list[Kept]:
    """At the beginning and after each quarter."""
    readings = round(hours * 3600.0 / INTERVAL_S / QUARTERS)
    async with fed_page(speed=speed) as fed:
        tab = await browser.new_page(viewport=DESK)
        wire = await tab.context.new_cdp_session(tab)
        for domain in ("HeapProfiler", "Performance"):
            await wire.send(f"{domain}.enable")
        await open_live(tab, fed.page.url)
        feeder = _Feeder(fed, speed)
        feeder.rest()
        found = [await _kept(tab, wire, 0.0)]
        for _ in range(QUARTERS):
            await feeder.feed(readings)
            found.append(await _kept(tab, wire, feeder.now_s - NOW_S))
        if not fed.page.viewers:
            msg = "the page fell behind and was cut off, expected a lower --speed"
            raise RuntimeError(msg)
        await tab.close()
    return found


# ---- beginning


async def measure_loads(browser: Browser) -> list[Load]:
    """Pages with an empty cache."""
    found = []
    async with fed_page() as fed:
        for _ in range(LOADS):
            context = await browser.new_context(viewport=DESK)
            tab = await context.new_page()
            await open_live(tab, fed.page.url)
            first_ms = float(await tab.evaluate(_FIRST_CONTENT))
            sizes: list[int] = await tab.evaluate(_LOADED)
            found.append(Load(first_ms / 1e3, sum(sizes) / 1e3, len(sizes)))
            await context.close()
    return found


# ---- what came of it


def _show_growth(found: Sequence[Kept], speed: float) -> None:
    show_table(
        f"The page open, {speed:g} times faster than life, load {os.getloadavg()[0]:.1f}",
        ("bench min", "heap MB", "nodes", "listeners"),
        [
            (f"{k.at_s / 60.0:.0f}", f"{k.heap_mb:.2f}", k.nodes, k.listeners)
            for k in found
        ],
    )
    first, last = found[1], found[-1]
    words = "at the end over after a quarter"
    show_goal(f"heap, {words}", last.heap_mb / first.heap_mb, at_most=1.05)
    show_goal(f"nodes, {words}", last.nodes / first.nodes, at_most=1.05)
    show_goal(f"listeners, {words}", last.listeners / first.listeners, at_most=1.05)


def _show_loads(found: Sequence[Load]) -> None:
    show_table(
        f"The page with an empty cache, {len(found)} times",
        ("first content s", "KB on the wire", "files"),
        [(f"{f.first_content_s:.2f}", f"{f.wire_kb:.1f}", f.files) for f in found],
    )
    longest_s = max(load.first_content_s for load in found)
    show_goal("first content, the longest, s", longest_s, at_most=1.0)
    show_goal("KB on the wire", median([f.wire_kb for f in found]), at_most=150.0)


async def _measure(hours: float, speed: float) -> tuple[list[Load], list[Kept]]:
    async with chromium() as browser:
        loads = await measure_loads(browser)
        return loads, await measure_growth(browser, hours, speed)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Measure what the page keeps.")
    parser.add_argument("--hours", type=float, default=1.0, metavar="H")
    parser.add_argument("--speed", type=float, default=SPEED, metavar="S")
    options = parser.parse_args()
    loads, kept = asyncio.run(_measure(options.hours, options.speed))
    _show_loads(loads)
    _show_growth(kept, options.speed)


if __name__ == "__main__":
    main()
