"""A real service on simulated meters, and its page in a real browser that keeps what it saw."""

import asyncio
import contextlib
import json
import os
import subprocess
import sys
import urllib.request
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

from playwright.async_api import Browser, BrowserContext, Locator, expect
from playwright.async_api import Page as Tab

from tests.system.bench_process import ROOT, SPEED, BenchFolder, Simulators
from tests.system.live_page import DESK, Watch

PATIENCE_MS = 60_000
"""Real processes, several of them, on a computer that has other things to do."""

BASELINE = "at the outlet"
ALIKE = "another outlet"
LONG = "1.0 mm2, 40 m"
THIN = "0.5 mm2, 100 m"
SPARE = "spare lead"
WINDY = "at the window"

_LEADS = {
    ALIKE: "length_m = 0.5, area_mm2 = 2.5",
    THIN: "length_m = 100, area_mm2 = 0.5",
    SPARE: "length_m = 10, area_mm2 = 2.5",
    WINDY: "length_m = 0.5, area_mm2 = 2.5",
}

# All verdicts and all stages: what changes from fitting to fitting is known of power and velocity and not of the voltage,
# which stays undecided; one condition is as good as the baseline, one far from it, one breaks a limit.
_PLAN_HEAD = f"""
format = 1
name = "outlets"
baseline = "{BASELINE}"
trial_longest_s = 180

[machine]
title = "Drying blower, 230 V"

[start]
channel = "current"
on_above = 0.8
off_below = 0.4
least_off_s = 2.0

[settling]
preset = "quick"
tolerance = 0.03
required = ["machine_voltage", "power", "velocity"]

[comparison.spread.power]
percent = 0.3
degrees_of_freedom = 7
source = "eight fittings of the same lead, a month before"

[comparison.spread.velocity]
percent = 0.3
degrees_of_freedom = 7
source = "eight fittings of the same lead, a month before"

[[limit]]
channel = "machine_voltage"
below = 207
for_s = 3.0
reason = "least voltage of the machine"
"""


def plan_of(*conditions: str) -> str:
    """A plan that calls for each of these once, in this order."""
    tables = [f'\n[[condition]]\nname = "{name}"\n' for name in conditions]
    return _PLAN_HEAD + "".join(tables)


class Service:
    """`daq serve` on a bench folder, with a plan of a test's own beside it."""

    def __init__(self, folder: Path, *conditions: str, page: str = "") -> None:
        """Write the files; nothing is started.

        Args:
            folder: Empty.
            conditions: Of the plan, in their order.
            page: Further lines of the bench's table [page].
        """
        self.bench = BenchFolder(folder, "leads")
        (folder / "plan.toml").write_text(plan_of(*conditions), encoding="utf-8")
        port = f"port = {self.bench.page_port}"
        self.bench.edit("bench.toml", port, f"{page}\n{port}")
        leads = [
            f'\n[[conditions]]\nname = "{name}"\nlead = {{ {lead} }}\n'
            for name, lead in _LEADS.items()
        ]
        self.bench.edit("simulation.toml", "[[lines]]\nname = \"mains\"", "".join(leads) + "\n[[lines]]\nname = \"mains\"")  # fmt: skip
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.bench.page_port}/"

    def start(self, *options: str) -> None:
        """Start it and wait until its page is there."""
        command = [sys.executable, "-m", "daq", "serve", self._file, "--plain"]
        with (self.bench.path / "said").open("ab") as said:
            self._process = subprocess.Popen(
                [*command, "--speed", SPEED, *options],
                cwd=ROOT,
                stdout=said,
                stderr=said,
                env={**os.environ, "PYTHONWARNINGS": "error"},
            )
        self.bench.wait_for(bool)

    def kill(self) -> None:
        """End it in the middle of whatever it does."""
        assert self._process is not None
        self._process.kill()
        self._process.wait(10)

    def end(self) -> None:
        """End it in order, if it runs."""
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            self._process.wait(20)

    def operate(self, *words: str) -> str:
        """What `daq session` says to these words."""
        command = [sys.executable, "-m", "daq", "session", self._file, *words]
        done = subprocess.run(
            command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=True
        )
        return done.stdout

    def link(self, purpose: str) -> str:
        """A link with its key: "To operate" or "To follow"."""
        said = self.operate("links").splitlines()
        return dict(line.split(": ", 1) for line in said)[purpose]

    def told_s(self, channel: str) -> list[float]:
        """Bench times of the recent readings of a channel that it can tell [s]."""
        with urllib.request.urlopen(  # a service of our own
            f"http://127.0.0.1:{self.bench.page_port}/api/trace", timeout=20
        ) as answer:
            trace = json.load(answer)["channels"][channel]
        return [t for t, v in zip(trace["t"], trace["v"], strict=True) if v is not None]

    @property
    def said(self) -> str:
        """Everything that it printed so far."""
        return (self.bench.path / "said").read_text(encoding="utf-8")

    @property
    def _file(self) -> str:
        return str(self.bench.path / "bench.toml")


@contextlib.contextmanager
def served(service: Service, *options: str) -> Iterator[Simulators]:
    """Meters and service while this lasts; gives the hand at the machine."""
    hand = Simulators(service.bench, seed=8, alone=True)
    try:
        service.start(*options)
        yield hand
    finally:
        service.end()
        hand.stop()


# ---- the browser

# Whatever stage, verdict, state or banner is on the screen at any moment, however short, is kept: by the browser itself,
# with every change of the document.
_LOOK = """
const places = { stage: "#stages [aria-current=step]", verdict: ".verdict b", banner: "#banners [role=alert]", state: "#slip .state > span" };
const known = new Set();
function look() {
  for (const [kind, place] of Object.entries(places)) {
    for (const node of document.querySelectorAll(place)) {
      const word = node.textContent;
      if (word === "" || !node.checkVisibility() || known.has(kind + word)) continue;
      known.add(kind + word);
      keepSeen(kind, word);
    }
  }
}
new MutationObserver(look).observe(document, { subtree: true, childList: true, attributes: true, characterData: true });
"""


class Viewer:
    """A browser of somebody's own.

    Attributes:
        seen: What was on the screen, kind and word.
        watch: What the browser complained of, and where it went.
    """

    def __init__(self, context: BrowserContext) -> None:
        self.context = context
        self.seen: set[tuple[str, str]] = set()
        self.watch = Watch(context)

    async def open(self, link: str) -> Tab:
        """A link in a tab of its own."""
        tab = await self.context.new_page()
        await tab.goto(link)
        return tab

    def words(self, kind: str) -> set[str]:
        """What was seen of one kind: "stage", "verdict", "banner", "state"."""
        return {word for of_kind, word in self.seen if of_kind == kind}


@contextlib.asynccontextmanager
async def viewer(
    browser: Browser,
    size: tuple[int, int] = DESK,
    *,
    trusting: bool = False,
    over: "Network | None" = None,
) -> AsyncIterator[Viewer]:
    """A browser of somebody's own while this lasts.

    Args:
        browser: Running.
        size: Of its window [px].
        trusting: Whether it takes any certificate.
        over: A network that can be taken away; None for the computer's own.
    """
    width, height = size
    context = await browser.new_context(
        viewport={"width": width, "height": height},
        ignore_https_errors=trusting,
        proxy=None if over is None else {"server": over.url, "bypass": "<-loopback>"},
    )
    context.set_default_timeout(PATIENCE_MS)
    one = Viewer(context)
    await context.expose_function("keepSeen", lambda *seen: one.seen.add(seen))
    await context.add_init_script(_LOOK)
    yield one
    await context.close()


class Network:
    """What lies between browser and service, and can be taken away: connections break, and none comes about.

    A browser that is told to be offline keeps the streams that it has; so the way itself has to go. It is a SOCKS5 proxy
    (RFC 1928) that knows no more than a browser on the same computer asks for.
    """

    def __init__(self) -> None:
        self.is_there = True
        self.url = ""
        self._ways: set[asyncio.StreamWriter] = set()

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator["Network"]:
        """The network while this lasts."""
        server = await asyncio.start_server(self._connected, "127.0.0.1", 0)
        host, port = server.sockets[0].getsockname()
        self.url = f"socks5://{host}:{port}"
        try:
            yield self
        finally:
            server.close()
            self.take_away()

    def take_away(self) -> None:
        """From now on nothing gets through."""
        self.is_there = False
        for way in self._ways:
            way.close()

    def bring_back(self) -> None:
        """From now on connections come about again."""
        self.is_there = True

    async def _connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self._ways.add(writer)
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            if self.is_there:
                await self._pass_on(reader, writer)
        self._ways.discard(writer)
        writer.close()

    async def _pass_on(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        _, methods = await reader.readexactly(2)
        await reader.readexactly(methods)
        writer.write(b"\x05\x00")
        # Browsers give the address as a name of so many bytes.
        *_, length = await reader.readexactly(5)
        address = (await reader.readexactly(length)).decode("ascii")
        port = int.from_bytes(await reader.readexactly(2), "big")
        far_reader, far_writer = await asyncio.open_connection(address, port)
        writer.write(b"\x05\x00\x00\x01" + bytes(6))
        self._ways.add(far_writer)
        async with asyncio.TaskGroup() as both:
            both.create_task(_pump(reader, far_writer))
            both.create_task(_pump(far_reader, writer))
        self._ways.discard(far_writer)


async def _pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):
        while part := await reader.read(65536):
            writer.write(part)
            await writer.drain()
    writer.close()


# ---- what an operator does


async def is_at(tab: Tab, stage: str) -> None:
    """Wait until the page shows this stage."""
    await expect(tab.locator("#stages [aria-current=step]")).to_have_text(
        stage, timeout=PATIENCE_MS
    )


async def calls_for(tab: Tab, condition: str) -> None:
    """Wait until the page asks for this condition with the machine off."""
    await expect(tab.locator("#instruction")).to_contain_text(
        condition, timeout=PATIENCE_MS
    )
    await is_at(tab, "waiting")


async def press(tab: Tab, word: str) -> None:
    """Press the button of this name."""
    await tab.get_by_role("button", name=word, exact=True).click()


async def says(tab: Tab, words: str) -> None:
    """Wait for what the bench answers; then clear it away."""
    answer = tab.locator("#hand [role=status]")
    await expect(answer).to_contain_text(words, timeout=PATIENCE_MS)
    await press(tab, "Close this line")


async def start(tab: Tab) -> None:
    """Start a session of the only plan."""
    await press(tab, "Start a session…")
    await press(tab, "Begin the session")
    await says(tab, "Session 1 begins")


async def measure(
    tab: Tab, hand: Simulators, called_for: str, fitted: str = ""
) -> None:
    """One trial from the page's request to switching off, with what was called for or something else fitted."""
    await calls_for(tab, called_for)
    switch_on(hand, fitted or called_for)
    await is_at(tab, "done")
    hand.say("off")


def switch_on(hand: Simulators, condition: str) -> None:
    """Fit a condition and switch the machine on."""
    hand.say(f"fit {condition}")
    hand.say("on")


def row(tab: Tab, condition: str) -> Locator:
    """The first row of the slip that is of this condition."""
    name = tab.locator("th span", has_text=condition)
    return tab.locator("#slip-rows tr").filter(has=name).first


async def change(tab: Tab, of: str, way: str, **answers: str) -> None:
    """Have something done with a condition's row of the slip; answers by the names of the fields."""
    await row(tab, of).get_by_role("button").click()
    sheet = tab.locator("#sheet")
    await sheet.get_by_role("radio", name=way).first.check()
    for name, text in answers.items():
        field = sheet.locator(f"[name={name}]")
        if name == "condition":
            await field.select_option(text)
        else:
            await field.fill(text)
    await press(tab, "Do this")
    await expect(sheet).to_be_hidden()


async def is_charted(tab: Tab, channel: str) -> None:
    """Wait until a channel's chart is drawn, which it is where somebody can see it."""
    box = tab.locator(f"[data-channel={channel}]")
    await box.scroll_into_view_if_needed()
    await expect(box.locator("canvas")).to_be_visible()


async def times_in_chart(tab: Tab, channel: str) -> list[float]:
    """Bench times of the readings that a channel's chart holds [s]."""
    script = f"async name => {{ {_POINTS} return times.filter((_, i) => values[i] !== null); }}"
    times: list[float] = await tab.evaluate(script, channel)
    return times


async def misses_of(tab: Tab, channel: str, told_s: list[float]) -> list[float]:
    """Which of the readings that the bench told have nothing near them in the chart [s].

    The chart keeps one of each of its stretches at least, and nothing beyond its span.
    """
    newest_s = told_s[-1]
    script = (
        f"async ([name, newest_s]) => {{ {_POINTS} return times.at(-1) >= newest_s; }}"
    )
    await tab.wait_for_function(script, arg=[channel, newest_s])
    times = await times_in_chart(tab, channel)
    kept = {int(at_s // _STRETCH_S) for at_s in times}
    since_s = times[-1] - _SPAN_S + 2 * _STRETCH_S
    return [t for t in told_s if t > since_s and int(t // _STRETCH_S) not in kept]


_POINTS = """
const { bench, traceOf } = await import("/bench.js");
const [times, values] = traceOf(bench.snapshot.channels.find(each => each.name === name)).points();
"""
_SPAN_S, _STRETCH_S = 600.0, 1.5  # as in traces.js
