"""A session with a meter that has no port, its readings typed on the page, with `daq session` and at the terminal."""

import asyncio
import csv
import io
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, redirect_stdout, suppress
from pathlib import Path

import pytest
from playwright.async_api import Browser, expect
from playwright.async_api import Page as Tab

from daq.cli import main
from tests.runtime.waiting import until
from tests.system.bench_process import (
    BenchFolder,
    Simulators,
    Terminal,
    reanalysed,
    run_command,
)
from tests.system.live_page import CHROMIUM
from tests.system.page_session import viewer
from tests.system.serving import ask, done

pytestmark = [
    pytest.mark.asyncio(loop_scope="module"),
    pytest.mark.slow,
    pytest.mark.pty,
    pytest.mark.browser,
    pytest.mark.timeout(300),
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on the search path"),
]

TYPED = """
[[typed]]
name = "read_velocity"
title = "Velocity by eye"
quantity = "velocity"
unit = "m/s"
resolution = 0.1
place = "outlet"
accuracy = { percent_of_reading = 1.0 }
"""
FITTED = "at the outlet"
_LONGER_THAN_A_CALL_S = 5.0


@pytest.fixture
def bench() -> Iterator[BenchFolder]:
    # A socket beside the store needs a folder that is not too deep.
    with tempfile.TemporaryDirectory(prefix="sb-") as folder:
        bench = BenchFolder(Path(folder), "leads")
        bench.edit("bench.toml", "# The vane anemometer sits", f"{TYPED}\n# ")
        bench.edit("plan.toml", 'preset = "standard"', 'preset = "quick"')
        bench.edit("plan.toml", "# tolerance = 0.005", "tolerance = 0.03 #")
        bench.edit("plan.toml", '["machine_voltage", "power", "velocity"]', '["power"]')
        bench.edit("plan.toml", "# [averaging]", "[averaging]\nlongest_s = 290")
        yield bench


@pytest.fixture
def simulators(bench: BenchFolder) -> Iterator[Simulators]:
    simulators = Simulators(bench, alone=True)
    yield simulators
    simulators.stop()


def by_eye(state: dict) -> str:
    """What somebody reads off who stands before the anemometer."""
    value = next(c["value"] for c in state["channels"] if c["name"] == "velocity")
    return f"{value:.1f}"


class Operator:
    """Answers in turn on the page, with `daq session` and at the terminal; once with a slip of the finger."""

    def __init__(self, bench: BenchFolder, terminal: Terminal, tab: Tab) -> None:
        self._bench, self._terminal, self._tab = bench, terminal, tab
        self.doubt = self.taken_back = self.not_there = ""

    async def answer(self, state: dict) -> None:
        number, text = state["asking"]["number"], by_eye(state)
        if number % 3 == 1:
            await self._tab.locator("#asking-text").fill(text)
            await self._tab.locator("#asking-text").press("Enter")
        elif number % 3 == 2:
            if not self.doubt:
                point_lost = ask(self._bench, "reading", "read_velocity", text.replace(".", ""))  # fmt: skip
                self.doubt = point_lost.err
            ask(self._bench, "reading", "read_velocity", text)
        else:
            await self._prompted(number)
            self._terminal.press(text.encode() + b"\r")
        await expect(self._tab.locator("#asking")).to_be_hidden()
        if not self.taken_back:
            self.not_there = ask(self._bench, "take-back", "read_velocity", "999").err
            self.taken_back = done(self._bench, "take-back", "read_velocity", text)

    async def _prompted(self, number: int) -> None:
        """Nobody answers at the terminal before it asks."""
        # "of 5", or "(5 are enough)".
        begin, words = len(self._terminal.drawn), f"reading {number} ".encode()
        await until(lambda: words in self._terminal.drawn[begin:])


async def measure(bench: BenchFolder, operator: Operator) -> dict:
    """From the page's questions to the end of averaging; the state of the trial that is done.

    What is still asked for once there are enough may be over at any moment, and is left unanswered.
    """
    answered: set[float] = set()
    while True:
        state = bench.wait_for(
            lambda s: (
                s["stage"]["name"] in {"done", "not-settled"}
                or (s["asking"] and is_due(s["asking"], answered))
            )
        )
        if state["stage"]["name"] != "averaging":
            return state
        answered.add(state["asking"]["since_s"])
        # On a slow computer it is given up before it is answered, and asked for again.
        with suppress(TimeoutError):
            async with asyncio.timeout(_LONGER_THAN_A_CALL_S):
                await operator.answer(state)


def is_due(asking: dict, answered: set[float]) -> bool:
    """Whether the average lacks the reading, and this call has not been answered."""
    return asking["number"] <= asking["least"] and asking["since_s"] not in answered


def printed(*words: str, code: int = 0) -> str:
    """What a command prints."""
    out = io.StringIO()
    with redirect_stdout(out), pytest.raises(SystemExit) as ended:
        main(list(words))
    assert ended.value.code == code
    return out.getvalue()


def rows(store: Path, statement: str) -> list[tuple]:
    with closing(sqlite3.connect(store)) as connection:
        return connection.execute(statement).fetchall()


async def test_readings_typed_in_three_ways_make_an_average_like_any_other(
    bench: BenchFolder, simulators: Simulators, browser: Browser
) -> None:
    simulators.say("off")
    terminal = Terminal(run_command(bench))
    bench.wait_for(lambda s: all(i["state"] == "ok" for i in s["instruments"]))
    link = done(bench, "links").splitlines()[0].removeprefix("To operate: ")
    async with viewer(browser) as operators:
        tab = await operators.open(link)
        operator = Operator(bench, terminal, tab)
        simulators.say(f"fit {FITTED}")
        simulators.say("on")
        state = await measure(bench, operator)
        # On a slow computer an asking may be over before it is answered: that is refused, and nothing else.
        complaints = operators.watch.complaints
        assert [each for each in complaints if "409" not in each] == []
    assert state["stage"]["name"] == "done", state["events"]
    simulators.say("off")
    bench.wait_for(lambda s: s["trial"] is None)
    terminal.signal(2)
    assert terminal.finish() == 130
    assert "10 times the readings before it" in operator.doubt
    assert "is taken back and counts no more; 0 of 5" in operator.taken_back
    assert "no reading '999' to take back, expected one of" in operator.not_there
    assert b"Velocity by eye in m/s, reading" in terminal.drawn
    assert b"Traceback" not in terminal.drawn
    look_at_store(bench)
    look_at_what_comes_after(bench)


def look_at_store(bench: BenchFolder) -> None:
    """Every reading has its trial, and the journal has who typed it."""
    readings = rows(
        bench.store,
        "SELECT trial_id, read_velocity_m_per_s FROM readings_read_velocity",
    )
    # Five, and one that was taken back.
    assert len(readings) >= 6
    assert {trial for trial, _ in readings} == {1}
    ways = rows(
        bench.store,
        "SELECT way, json_extract(detail_json, '$.text') FROM operations WHERE kind = 'reading' ORDER BY id",
    )
    assert {way for way, _ in ways} == {"page", "command line", "terminal"}
    assert [float(text) for _, text in ways] == [value for _, value in readings]


def look_at_what_comes_after(bench: BenchFolder) -> None:
    """Averages, export, report and re-analysis know the channel as they know any other."""
    store = str(bench.store)
    averages = {
        row["channel"]: row
        for row in csv.DictReader(io.StringIO(printed("export", store)))
    }
    typed, polled = averages["read_velocity"], averages["velocity"]
    by_hand, by_wire = float(typed["mean"]), float(polled["mean"])
    assert abs(by_hand - by_wire) < float(typed["expanded_uncertainty"])
    assert int(typed["count"]) >= 5
    report = bench.path / "report.html"
    # The session was left before it was finished.
    printed("report", store, "--output", str(report), code=1)
    assert "Velocity by eye" in report.read_text(encoding="utf-8")
    assert "while averaging, by the operator" in report.read_text(encoding="utf-8")
    again = reanalysed(bench.store)
    assert [trial["reproduced"] for trial in again["trials"]] == [True]
