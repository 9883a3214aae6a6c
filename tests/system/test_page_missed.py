"""The page: a reading that was not typed in time, a trial that lacks typed readings, charts of what is read seldom."""

import dataclasses
from collections.abc import AsyncIterator

import pytest
import pytest_asyncio
from playwright.async_api import Browser, expect
from playwright.async_api import Page as Tab

from daq.operations import Operation, Repeat, Stop
from daq.runtime.snapshot import AskingLine, RepeatLine, SessionLine, Snapshot
from tests.system.live_page import (
    AVERAGING,
    NEEDS_A_BROWSER,
    NOW_S,
    POWER,
    SETTLED,
    TEMPERATURE,
    WAITING,
    Bench,
    opened,
    overhang_px,
    violations,
)
from tests.system.operated_page import operated, press
from tests.system.test_page import until

pytestmark = NEEDS_A_BROWSER

ASKING = AskingLine("velocity", "Outlet velocity", "m/s", "outlet", 1, 2, 5, NOW_S, NOW_S + 300.0)  # fmt: skip
AGAIN = dataclasses.replace(ASKING, since_s=NOW_S + 340.0, until_s=NOW_S + 640.0)
ASKED = dataclasses.replace(AVERAGING, asking=ASKING)
MISSED = dataclasses.replace(AVERAGING, missed=ASKING)
OFFER = RepeatLine(2, 2, "2.5 mm², 25 m", 1)
LACKING = dataclasses.replace(SETTLED, repeat_offer=OFFER)
OVER = dataclasses.replace(
    WAITING,
    session=SessionLine(1, "finished", 3, 3),
    stage=dataclasses.replace(WAITING.stage, name="finished"),
    instruction="Finished, but 2.5 mm², 25 m has no average of Outlet velocity. Repeat it, or end?",
    ends_with_session=True,
    repeat_offer=OFFER,
)


@pytest_asyncio.fixture(loop_scope="module")
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    bench.snapshot = ASKED
    async with bench.serving():
        yield bench


async def test_what_was_not_typed_in_time_is_said_and_stays_for_the_next_call(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        field, heading = tab.locator("#asking-text"), tab.locator("#asking h2")
        await field.fill("98")
        bench.show(MISSED)
        await expect(heading).to_have_text(
            "Outlet velocity, outlet was not typed in time; you will be asked again if there is time"
        )
        await expect(tab.locator("#asking .left")).to_have_text("")
        await field.press_sequentially(".7")
        assert await violations(tab) == []
        bench.show(ASKED, asking=AGAIN)
        await expect(heading).to_have_text("Outlet velocity, outlet: reading 2 of 5")
        await expect(field).to_have_value("98.7")
        await expect(field).to_be_focused()


async def test_what_was_typed_of_one_channel_is_not_kept_for_another(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        await tab.locator("#asking-text").fill("98")
        bench.show(MISSED)
        await expect(tab.locator("#asking h2")).to_contain_text("not typed in time")
        other = dataclasses.replace(AGAIN, channel="pressure", title="Inlet pressure")
        bench.show(ASKED, asking=other)
        await expect(tab.locator("#asking h2")).to_contain_text("Inlet pressure")
        await expect(tab.locator("#asking-text")).to_have_value("")


async def test_the_seconds_that_are_left_are_shown_and_fall(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        left = tab.locator("#asking .left")
        await expect(left).to_contain_text(" s left")
        first = int((await left.inner_text()).split()[0])
        await expect(left).not_to_have_text(f"{first} s left")
        assert int((await left.inner_text()).split()[0]) < first <= 300


# ---- too few


@pytest.mark.parametrize(
    ("snapshot", "word", "asked"),
    [
        (LACKING, "Repeat 2.5 mm², 25 m", Repeat(2)),
        (OVER, "Repeat 2.5 mm², 25 m", Repeat(2)),
        (OVER, "End the session", Stop()),
    ],
)
async def test_a_trial_that_lacks_readings_is_repeated_or_the_session_ended_with_one_press(
    browser: Browser, bench: Bench, snapshot: Snapshot, word: str, asked: Operation
) -> None:
    bench.snapshot = snapshot
    async with operated(browser, bench) as tab:
        assert await violations(tab) == []
        assert await overhang_px(tab) == 0
        await press(tab, word)
        await expect(tab.locator("#hand [role=status]")).to_have_text("Done as asked.")
        await expect(tab.locator("[data-control=start]")).to_have_count(0)
    assert bench.face.operations == [(asked, "page")]


async def test_without_an_offer_nothing_is_offered(
    browser: Browser, bench: Bench
) -> None:
    bench.snapshot = SETTLED
    async with operated(browser, bench) as tab:
        await expect(tab.locator("[data-control=pace]")).to_be_visible()
        await expect(tab.locator("[data-control=repeat]")).to_have_count(0)
        bench.show(OVER, repeat_offer=None)
        await expect(tab.locator("[data-control=pace]")).to_have_count(0)
        await expect(tab.locator("[data-control=put-away]")).to_have_count(0)


# ---- charts


async def marked(tab: Tab, channel: str, at_s: float) -> int:
    """Pixels in the ink of the trace around a moment of the last ten minutes; -1 where nothing is charted yet."""
    script = """async ([channel, at_s]) => {
      const { nowSeconds } = await import("/bench.js");
      const canvas = document.querySelector(`[data-channel="${channel}"] canvas`);
      const plot = document.querySelector(`[data-channel="${channel}"] .u-over`);
      if (canvas === null) return -1;
      const pen = document.createElement("canvas").getContext("2d");
      pen.fillStyle = getComputedStyle(document.body).getPropertyValue("--ink").trim();
      pen.fillRect(0, 0, 1, 1);
      const ink = pen.getImageData(0, 0, 1, 1).data;
      const x = plot.offsetLeft + plot.offsetWidth * (1 - (nowSeconds() - at_s) / 600);
      const [left, wide, high] = [x - 8, 16, plot.offsetHeight].map((px) => Math.round(px * devicePixelRatio));
      const { data } = canvas.getContext("2d").getImageData(left, 0, wide, high);
      const isInk = (_, i) => i % 4 === 0 && [0, 1, 2, 3].every((k) => Math.abs(data[i + k] - ink[k]) < 20);
      return data.filter(isInk).length;
    }"""
    return int(await tab.evaluate(script, [channel, at_s]))


async def test_a_single_reading_of_what_is_read_seldom_is_a_point(
    browser: Browser, bench: Bench
) -> None:
    at_s = NOW_S - 300.0
    often = dataclasses.replace(POWER, interval_s=1.0)
    seldom = dataclasses.replace(TEMPERATURE, interval_s=60.0)
    bench.face.recent = {c.name: {"t": [at_s], "v": [42.0]} for c in (often, seldom)}
    bench.snapshot = dataclasses.replace(WAITING, channels=(often, seldom))
    async with opened(browser, bench) as tab:
        await tab.locator(
            f'[data-channel="{seldom.name}"]'
        ).scroll_into_view_if_needed()

        async def is_drawn() -> bool:
            return await marked(tab, seldom.name, at_s) > 0

        await until(is_drawn)
        # It was drawn before.
        assert await marked(tab, often.name, at_s) == 0
