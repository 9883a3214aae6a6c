"""Stored sessions on the page, in a real browser: the list, one of them, the readings of one of its trials."""

import dataclasses
import math
from collections.abc import AsyncIterator

import pytest
import pytest_asyncio
from playwright.async_api import Browser, expect
from playwright.async_api import Page as Tab

from daq.runtime.snapshot import (
    AverageLine,
    ComparisonLine,
    DifferenceLine,
    EventLine,
    SessionLine,
    StageLine,
)
from tests.runtime.faces import SESSION, STORED_TRIALS
from tests.system.live_page import (
    DESK,
    NEEDS_A_BROWSER,
    PHONE,
    POWER,
    TEMPERATURE,
    WAITING,
    WAITING_SLIP,
    Bench,
    opened,
    overhang_px,
    violations,
)

pytestmark = NEEDS_A_BROWSER

ANSWER = "The 2.5 mm² lead costs 34 W."
BANNER = "Stored session 3 of 2026-01-04: nothing here is live."
UNREAD = tuple(
    dataclasses.replace(c, value=None, at_s=None, condition="stored", holding_back=None)
    for c in (POWER, TEMPERATURE)
)
MEAN = AverageLine(1383.0, 8.0, "W", 0)
SLIP = (
    dataclasses.replace(WAITING_SLIP[0], trial=1),
    dataclasses.replace(WAITING_SLIP[1], state="done", averages={"power": MEAN}, trial=3, note="window open"),
    dataclasses.replace(WAITING_SLIP[2], state="unfinished", trial=2),
)  # fmt: skip
STORED = dataclasses.replace(
    WAITING,
    session=SessionLine(3, "finished", 2, 3),
    stage=StageLine("stored", None, None, None, "", "A stored session."),
    instruction="Session 3, 2 of 3 trials done.",
    urgency="wait",
    channels=UNREAD,
    slip=SLIP,
    events=(EventLine("2026-01-04T09:05:00.000Z", 100.0, "at the outlet: switched on."),),
    comparison=ComparisonLine(
        2,
        (DifferenceLine("2.5 mm², 25 m", "power", -34.0, 13.0, "W", 0, -2.4, "real", "It takes 34 W less."),),
        (ANSWER,),
    ),
)  # fmt: skip
LONG_TRIAL = {
    **STORED_TRIALS[0], "trial": 3, "position": 2, "condition": "2.5 mm², 25 m",
    "started_s": 400.0, "ended_s": 1300.0, "run_up_end_s": 450.0, "window_s": [1000.0, 1300.0],
}  # fmt: skip
TIMES = [400.0 + 0.75 * n for n in range(1200)]
TRACE = {
    "trial": 3, "started_s": 400.0, "window_s": [1000.0, 1300.0],
    "channels": {"power": {"t": TIMES, "v": [1383.0 + 4.0 * math.sin(t / 20.0) for t in TIMES]}},
}  # fmt: skip


@pytest_asyncio.fixture(loop_scope="module")
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    face = bench.face
    face.stored_sessions = [
        {**SESSION, "session": 4, "state": "running", "started_utc": "2026-01-05T10:00:00.000Z", "ended_utc": None, "trials": 3, "finished": 1},
        {**SESSION, "session": 3},
    ]  # fmt: skip
    face.stored = {3: STORED}
    face.stored_trials = {3: [*STORED_TRIALS, LONG_TRIAL]}
    face.trial_traces = {(3, 3): TRACE}
    async with bench.serving():
        yield bench


async def open_session(tab: Tab, bench: Bench, query: str = "?session=3") -> None:
    await tab.goto(bench.url + query)
    await expect(tab.locator("#stored")).to_contain_text(BANNER)


async def is_drawn_at(tab: Tab, *shares: float) -> list[bool]:
    """Whether anything is drawn in the power chart at these shares of its width; one reading back, as the browser wants it."""
    script = """shares => {
      const canvas = document.querySelector('[data-channel="power"] canvas');
      const { width, height } = canvas;
      const { data } = canvas.getContext("2d").getImageData(0, 0, width, height - 60);
      const isDrawn = share => data.some((alpha, i) => i % 4 === 3 && alpha > 0 && (i - 3) / 4 % width === Math.round(width * share));
      return shares.map(isDrawn);
    }"""
    return list(await tab.evaluate(script, list(shares)))


# ---- the list


async def test_the_list_tells_what_is_stored_and_leads_there(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await tab.get_by_role("button", name="Sessions").click()
        lines = tab.locator("#sheet li")
        await expect(lines).to_have_count(2)
        await expect(lines.first).to_contain_text("2026-01-05 10:00")
        await expect(lines.first).to_contain_text("running, 3 trials begun, 1 finished")
        await expect(lines.last).to_contain_text("leads, Drying blower, 230 V")
        assert await violations(tab) == []
        await tab.get_by_role("link", name="Session 3").click()
        await expect(tab.locator("#stored")).to_contain_text(BANNER)
        assert tab.url == f"{bench.url}?session=3"


async def test_an_empty_store_says_so(browser: Browser, bench: Bench) -> None:
    bench.face.stored_sessions = []
    async with opened(browser, bench, DESK) as tab:
        await tab.get_by_role("button", name="Sessions").click()
        await expect(tab.locator("#sheet")).to_contain_text("No session is stored yet.")


# ---- one session


async def test_a_stored_session_shows_its_slip_and_never_looks_live(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        asked: list[str] = []
        tab.on("request", lambda request: asked.append(request.url))
        await open_session(tab, bench)
        rows = tab.locator("#slip-rows tr")
        await expect(rows.nth(0)).to_contain_text("1417")
        await expect(rows.nth(1)).to_contain_text("window open")
        await expect(rows.nth(1)).to_contain_text("34")
        await expect(rows.nth(2)).to_contain_text("unfinished")
        await expect(tab.locator("#record")).to_contain_text(ANSWER)
        await expect(tab.locator("#events")).to_contain_text("switched on")
        await expect(tab.locator("#banners > div")).to_have_count(0)
        await expect(tab.locator("#hand button:visible")).to_have_count(0)
        for hidden in ("#required", "#all", "#health", "#clock", "#progress"):
            await expect(tab.locator(hidden)).to_be_hidden()
        assert [url for url in asked if url.endswith(("/api/live", "/api/state"))] == []


async def test_the_way_back_leads_to_the_live_page(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await open_session(tab, bench)
        await tab.get_by_role("link", name="Back to the live page").click()
        await expect(tab.locator("body")).to_have_attribute("data-link", "live")
        await expect(tab.locator("#instruction")).to_have_text(WAITING.instruction)
        await expect(tab.locator("#stored")).to_have_count(0)


async def test_a_session_or_a_trial_that_is_not_stored_is_said_in_words(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK, complaints_expected=True) as tab:
        for query, words in (
            ("?session=9", "Session 9 is not in the store."),
            ("?session=../x", "not in the store"),
            ("?session=3&trial=9", "Session 3 has no trial 9."),
        ):
            await tab.goto(bench.url + query)
            await expect(tab.locator("h1")).to_contain_text(words)
            await expect(tab.locator("#stored a")).to_be_visible()
            assert await violations(tab) == []


# ---- one trial


async def test_the_readings_of_a_trial_are_shown_whole_with_run_up_window_and_mean(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await open_session(tab, bench)
        await tab.get_by_role("link", name="Readings of 2.5 mm², 25 m").click()
        await expect(tab.locator("#channels-title")).to_have_text(
            "Readings of trial 3: 2.5 mm², 25 m, repeat 1, finished"
        )
        assert tab.url == f"{bench.url}?session=3&trial=3"
        power = tab.locator(".channel", has_text="Power")
        await expect(power.locator(".value")).to_have_text("1383")
        await expect(power.locator(".mean")).to_contain_text("±")
        await expect(power).not_to_contain_text("ago")
        await expect(power).not_to_contain_text("just now")
        chart = tab.locator('[data-channel="power"]')
        await expect(chart.locator("canvas")).to_be_visible()
        await expect(chart).to_have_attribute(
            "aria-label", "Chart: Power, machine end, the trial, between 1379 and 1387\u00a0W; mean 1383\u00a0±\u00a08\u00a0W."
        )  # fmt: skip
        # A quarter of an hour is more than what the live charts hold: its beginning and its end are there.
        assert await is_drawn_at(tab, 0.15, 0.9) == [True, True]


async def test_every_trial_is_listed_and_the_chosen_one_is_marked(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await open_session(tab, bench, "?session=3&trial=3")
        trials = tab.locator(".trials li")
        await expect(trials).to_have_count(3)
        await expect(trials.nth(0)).to_contain_text("at the outlet, repeat 1")
        await expect(trials.nth(1)).to_contain_text(
            "unfinished, ran 10 s; switched off"
        )
        await expect(tab.locator('.trials [aria-current="page"]')).to_have_text(
            "Trial 3"
        )


# ---- for everybody


@pytest.mark.parametrize("query", ["?session=3", "?session=3&trial=3"])
async def test_nothing_keeps_anybody_from_reading_a_stored_session(
    browser: Browser, bench: Bench, query: str
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await open_session(tab, bench, query)
        await expect(tab.locator(".trials li")).to_have_count(3)
        # Charts are drawn, and named, in what is left of a frame.
        if "trial" in query:
            await expect(tab.locator(".chart[aria-label]")).to_have_count(2)
        for scheme in ("light", "dark"):
            await tab.emulate_media(color_scheme=scheme)
            assert (scheme, await violations(tab)) == (scheme, [])


@pytest.mark.parametrize("query", ["?session=3", "?session=3&trial=3"])
async def test_a_stored_session_fits_a_phone(
    browser: Browser, bench: Bench, query: str
) -> None:
    async with opened(browser, bench, PHONE) as tab:
        await open_session(tab, bench, query)
        await expect(tab.locator(".trials li")).to_have_count(3)
        assert await overhang_px(tab) <= 0
