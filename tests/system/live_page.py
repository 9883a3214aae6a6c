"""The page served from hand-made snapshots, and a browser that must not complain of it."""

import asyncio
import contextlib
import dataclasses
import json
import shutil
import tempfile
import time
from collections.abc import AsyncIterator, Mapping
from pathlib import Path

import pytest
from axe_playwright_python.async_playwright import Axe  # type: ignore[import-untyped] # has no stubs
from playwright.async_api import Browser, BrowserContext, async_playwright, expect
from playwright.async_api import Page as Tab

from daq.runtime.snapshot import (
    AverageLine,
    ChannelLine,
    ClockLine,
    EventLine,
    InstrumentLine,
    PartLine,
    SessionLine,
    SlipLine,
    Snapshot,
    StageLine,
    TrialLine,
)
from daq.runtime.web import Page
from daq.runtime.web.access import AccessKeys
from tests.runtime.faces import FakeFace

CHROMIUM = shutil.which("chromium")
PATIENCE_S = 20.0
BEAT_S = 0.2
NOW_S = 1000.0
WIDE, DESK, PHONE = (1920, 1080), (1280, 800), (390, 844)

NEEDS_A_BROWSER = [
    pytest.mark.asyncio(loop_scope="module"),
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on the search path"),
]
# Long enough for a slow computer; on a quick one nothing waits that long.
expect.set_options(timeout=PATIENCE_S * 1000)

# Read so seldom that no test, however slow its computer, sees it grow old.
POWER = ChannelLine(
    name="power", title="Power", quantity="power", unit="W", place="machine end", decimals=0, required=True,
    instrument="wattmeter", interval_s=60.0, value=1385.0, at_s=NOW_S, condition="ok",
    holding_back="it still drifts", mean=None, expanded_uncertainty=None,
)  # fmt: skip
TEMPERATURE = dataclasses.replace(
    POWER, name="air_temperature", title="Air temperature", unit="Cel", place="outlet", decimals=1, required=False,
    instrument="anemometer", interval_s=1.0, value=42.04, holding_back=None,
)  # fmt: skip
WAITING_SLIP = (
    SlipLine(1, "at the outlet", 1, baseline=True, state="done", averages={"power": AverageLine(1417.0, 10.0, "W", 0)}, note=None),
    SlipLine(2, "2.5 mm², 25 m", 1, baseline=False, state="to come", averages={}, note=None),
    SlipLine(3, "1.5 mm², 25 m", 1, baseline=False, state="to come", averages={}, note=None),
)  # fmt: skip
WAITING = Snapshot(
    format=2, bench="leads", plan="leads", machine="Drying blower, 230 V",
    clock=ClockLine(NOW_S, "2026-01-05T10:12:13.120Z", 1.0),
    session=SessionLine(1, "running", 1, 3),
    stage=StageLine("waiting", NOW_S, None, None, "", "Waiting for the machine to be switched on."),
    instruction="Fit the 2.5 mm² lead, 25 m, then switch on.", urgency="action",
    condition=None, trial=None, channels=(POWER, TEMPERATURE), slip=WAITING_SLIP,
    instruments=(
        InstrumentLine("wattmeter", "ports/mains", "ok", "a reading every 1 s", 12, 0),
        InstrumentLine("anemometer", "ports/air", "ok", "a reading every 1 s", 12, 1),
    ),
    store=PartLine("ok", ""), broker=PartLine("ok", "connected to 127.0.0.1:1883"), alarms=(),
    events=(EventLine("2026-01-05T10:12:01.100Z", 990.0, "at the outlet: switched off, the trial is complete."),),
)  # fmt: skip
TRIAL = TrialLine(2, NOW_S - 100.0, NOW_S - 94.0, (NOW_S - 60.0, NOW_S), confirmed=False)  # fmt: skip
RUNNING_LINE = dataclasses.replace(WAITING_SLIP[1], state="running")
SETTLED_LINE = dataclasses.replace(RUNNING_LINE, averages={"power": AverageLine(1383.2, 8.1, "W", 1)})  # fmt: skip
AVERAGING = dataclasses.replace(
    WAITING,
    stage=StageLine("averaging", NOW_S, 0.5, 35.0, "about 35 s more", "Averaging, provisional until later readings confirm it."),
    instruction="Keep it running, about 35 s more.", urgency="wait", trial=TRIAL,
    channels=(dataclasses.replace(POWER, holding_back=None, mean=1383.24, expanded_uncertainty=1.06), TEMPERATURE),
    slip=(WAITING_SLIP[0], RUNNING_LINE, WAITING_SLIP[2]),
)  # fmt: skip
IDLE = dataclasses.replace(
    WAITING, plan="", machine="", session=None,
    stage=StageLine("idle", None, None, None, "", "No session is open; every meter is read."),
    instruction="Start a session to begin.", urgency="wait", slip=(),
    channels=tuple(dataclasses.replace(c, required=False, holding_back=None) for c in (POWER, TEMPERATURE)),
)  # fmt: skip
SETTLED = dataclasses.replace(
    AVERAGING,
    stage=StageLine("done", NOW_S, None, None, "", "Settled and averaged. Switching off ends the trial."),
    instruction="Done. Switch off.", urgency="action", trial=dataclasses.replace(TRIAL, confirmed=True),
    slip=(WAITING_SLIP[0], SETTLED_LINE, WAITING_SLIP[2]),
)  # fmt: skip


class BenchFace(FakeFace):
    """A bench whose clock runs."""

    def __init__(self) -> None:
        super().__init__(WAITING)
        self.recent = {}
        self.funnels = {}
        self.began_s = time.monotonic()

    @property
    def now_s(self) -> float:
        """Bench time at the speed of life."""
        return NOW_S + time.monotonic() - self.began_s

    def state(self) -> str:
        clock = dataclasses.replace(self.snapshot.clock, now_s=self.now_s)
        return dataclasses.replace(self.snapshot, clock=clock).as_json()


class Bench:
    """Stands for the daemon: one server at a time, always on the same port, with a beat.

    Attributes:
        beats: Whether it is heard of at all between the events of a test.
        face: What the page asks, and what it is asked to do.
    """

    def __init__(self) -> None:
        self.face = BenchFace()
        self.beats = True
        self.port = 0
        self._folder = Path(tempfile.mkdtemp())
        self.keys = AccessKeys(self._folder / "access.json")

    @property
    def now_s(self) -> float:
        return self.face.now_s

    @property
    def snapshot(self) -> Snapshot:
        """What `state` shows."""
        return self.face.snapshot

    @snapshot.setter
    def snapshot(self, snapshot: Snapshot) -> None:
        self.face.snapshot = snapshot

    @contextlib.asynccontextmanager
    async def serving(self) -> AsyncIterator[None]:
        """Serve the page while this lasts."""
        self._page = Page(face=self.face, port=self.port, keys=self.keys)
        self.port = self._page.port
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._page.run())
            beat = tasks.create_task(self._beat())
            try:
                yield
            finally:
                beat.cancel()
                self._page.stop()
                shutil.rmtree(self._folder, ignore_errors=True)

    @property
    def url(self) -> str:
        return self._page.url

    @property
    def viewers(self) -> int:
        return self._page.viewers

    def show(self, snapshot: Snapshot, **changes: object) -> None:
        """Push what a state has that the last one had not, as the daemon does."""
        before = json.loads(self.face.state())
        self.snapshot = dataclasses.replace(snapshot, **changes)  # type: ignore[arg-type] # any field
        state = json.loads(self.face.state())
        parts = {k: v for k, v in state.items() if k == "clock" or before[k] != v}
        self.push("state", parts)

    def read(self, **values: float | None) -> None:
        """Push a reading taken now."""
        told = {"instrument": "wattmeter", "at_s": self.now_s, "values": values}
        self.push("reading", told)

    def push(self, event: str, told: Mapping[str, object]) -> None:
        """Push any event."""
        self._page.push(event, json.dumps(told))

    async def _beat(self) -> None:
        while True:
            if self.beats:
                self.push("beat", {"now_s": self.now_s})
            await asyncio.sleep(BEAT_S)


class Watch:
    """Everything a browser complained about, and everywhere it went."""

    def __init__(self, context: BrowserContext) -> None:
        self.complaints: list[str] = []
        self.urls: list[str] = []
        context.on("console", lambda message: self._note(message.type, message.text))
        context.on("weberror", lambda error: self.complaints.append(str(error.error)))
        context.on("request", lambda request: self.urls.append(request.url))

    def _note(self, kind: str, text: str) -> None:
        if kind in {"error", "warning"}:
            self.complaints.append(text)


@contextlib.asynccontextmanager
async def chromium() -> AsyncIterator[Browser]:
    """A browser for as long as this lasts."""
    async with async_playwright() as driver:
        # Containers grant no sandbox; the only page it ever shows is our own.
        browser = await driver.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox"]
        )
        yield browser
        await browser.close()


@contextlib.asynccontextmanager
async def opened(
    browser: Browser,
    bench: Bench,
    size: tuple[int, int] = WIDE,
    *,
    dark: bool = False,
    complaints_expected: bool = False,
) -> AsyncIterator[Tab]:
    """The page in a tab of its own, which must not complain or go elsewhere while this lasts."""
    width, height = size
    context = await browser.new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if dark else "light",
    )
    watch = Watch(context)
    # Breaches of the security policy reach the console too, but not as surely.
    await context.add_init_script(
        "window.breaches = [];"
        "addEventListener('securitypolicyviolation', e => breaches.push(e.violatedDirective));"
    )
    tab = await context.new_page()
    await tab.goto(bench.url)
    await expect(tab.locator("body")).to_have_attribute("data-link", "live")
    await expect(tab.locator("#instruction")).to_have_text(bench.snapshot.instruction)
    yield tab
    assert await tab.evaluate("breaches") == []
    await context.close()
    assert [url for url in watch.urls if not url.startswith((bench.url, "data:"))] == []
    if not complaints_expected:
        assert watch.complaints == []


async def violations(tab: Tab) -> list[str]:
    """What keeps somebody from reading or using this view, by the rules of axe; empty if nothing does."""
    found = await Axe().run(tab)
    return [
        f"{each['id']}: {node['html']}"
        for each in found.response["violations"]
        for node in each["nodes"]
    ]


async def overhang_px(tab: Tab) -> int:
    """By how much the page is wider than its window."""
    script = "document.documentElement.scrollWidth - window.innerWidth"
    return int(await tab.evaluate(script))
