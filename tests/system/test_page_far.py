"""The page as it is read from across the room, and by everybody who reads it."""

import dataclasses

import pytest
from playwright.async_api import Browser, expect
from playwright.async_api import Page as Tab

from daq.runtime.snapshot import (
    AlarmLine,
    InstrumentLine,
    SessionLine,
    Snapshot,
)
from tests.system.live_page import (
    AVERAGING,
    DESK,
    IDLE,
    NEEDS_A_BROWSER,
    NOW_S,
    PHONE,
    POWER,
    SETTLED,
    TEMPERATURE,
    WAITING,
    WIDE,
    Bench,
    opened,
    overhang_px,
    violations,
)
from tests.system.shown_moments import (
    COMPARED,
    SETTLING,
    funnel,
)

pytestmark = NEEDS_A_BROWSER


# ---- across the room


async def cap_heights(tab: Tab) -> list[float]:
    """Heights of the required channels' digits [px]."""
    script = """nodes => nodes.map(node => {
      const style = getComputedStyle(node);
      const pen = document.createElement("canvas").getContext("2d");
      pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
      return pen.measureText("0").actualBoundingBoxAscent;
    })"""
    heights: list[float] = await tab.locator("#digits .value").evaluate_all(script)
    return heights


@pytest.mark.parametrize(("channels", "least_px"), [(1, 140), (3, 140), (4, 90)])
async def test_the_far_view_is_read_from_five_metres(
    browser: Browser, bench: Bench, channels: int, least_px: int
) -> None:
    # A screen of 0.277 mm a pixel: distance / 200 is 90 px, distance / 130 is 140 px.
    required = tuple(
        dataclasses.replace(POWER, name=f"power_{n}", value=1385.0, decimals=1)
        for n in range(channels)
    )
    bench.snapshot = dataclasses.replace(WAITING, channels=required)
    async with opened(browser, bench, WIDE) as tab:
        await tab.keyboard.press("f")
        for hidden in ("#slip", "#channels", "#events"):
            await expect(tab.locator(hidden)).to_be_hidden()
        assert min(await cap_heights(tab)) >= least_px
        beyond = "document.documentElement.scrollHeight - window.innerHeight"
        assert await tab.evaluate(beyond) <= 0
        assert await overhang_px(tab) <= 0
        await tab.keyboard.press("Escape")
        await expect(tab.locator("#slip")).to_be_visible()


async def test_a_large_screen_needs_no_far_view_for_few_channels(
    browser: Browser, bench: Bench
) -> None:
    required = tuple(dataclasses.replace(POWER, name=f"power_{n}") for n in range(3))
    bench.snapshot = dataclasses.replace(WAITING, channels=required)
    async with opened(browser, bench, WIDE) as tab:
        assert min(await cap_heights(tab)) >= 90


async def test_the_far_view_hides_no_alarm(browser: Browser, bench: Bench) -> None:
    async with opened(browser, bench, DESK) as tab:
        await tab.get_by_role("button", name="Far view").click()
        bench.show(WAITING, alarms=(AlarmLine("Lead carries 14.2 A.", NOW_S),))
        await expect(tab.locator("#banners [role=alert]")).to_be_visible()
        await tab.get_by_role("button", name="Leave far view").click()
        await expect(tab.locator("#slip")).to_be_visible()


async def test_the_key_of_the_far_view_can_be_switched_off_for_good(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await tab.get_by_label("The key F").uncheck()
        await tab.reload()
        await expect(tab.locator("body")).to_have_attribute("data-link", "live")
        await tab.keyboard.press("f")
        button = tab.get_by_role("button", name="Far view")
        await expect(button).to_have_attribute("aria-pressed", "false")


# ---- everybody can read it


def views() -> dict[str, Snapshot]:
    lost = InstrumentLine("anemometer", "ports/air", "lost", "unplugged", 12, 1)
    silent = dataclasses.replace(TEMPERATURE, condition="silent")
    limit = dataclasses.replace(SETTLING.stage, name="limit")
    alarm = AlarmLine(
        "Lead carries 14.2 A, its limit is 13 A. Switch off at the plug.", NOW_S
    )
    return {
        "idle": IDLE,
        "waiting": WAITING,
        "settling": SETTLING,
        "averaging": AVERAGING,
        "done": SETTLED,
        "compared": COMPARED,
        "alarm": dataclasses.replace(
            SETTLING, stage=limit, urgency="danger", alarms=(alarm,)
        ),
        "meter lost": dataclasses.replace(
            WAITING, instruments=(lost,), channels=(POWER, silent)
        ),
        "finished": dataclasses.replace(
            COMPARED,
            session=SessionLine(1, "finished", 3, 3),
            urgency="normal",
            ends_with_session=True,
        ),
    }


# Colours do not depend on the size of the window.
@pytest.mark.parametrize(
    ("size", "dark"),
    [(PHONE, False), (DESK, False), (DESK, True), (WIDE, False)],
    ids=["phone", "desk", "desk in the dark", "wide"],
)
async def test_no_view_keeps_anybody_from_reading_it(
    browser: Browser, bench: Bench, size: tuple[int, int], *, dark: bool
) -> None:
    bench.face.funnels = funnel(12)
    async with opened(browser, bench, size, dark=dark) as tab:
        for name, snapshot in views().items():
            bench.show(snapshot, instruction=f"Now: {name}.")
            await expect(tab.locator("h1")).to_have_text(f"Now: {name}.")
            assert (name, await violations(tab)) == (name, [])
            assert (name, max(0, await overhang_px(tab))) == (name, 0)
        await tab.keyboard.press("f")
        assert await violations(tab) == []
        bench.beats = False
        await expect(tab.locator("body")).to_have_attribute("data-link", "ended")
        assert await violations(tab) == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
async def test_a_page_without_a_connection_can_be_read(
    browser: Browser, bench: Bench, *, dark: bool
) -> None:
    bench.snapshot = SETTLING
    bench.face.funnels = funnel(12)
    async with opened(browser, bench, DESK, dark=dark) as tab:
        bench.beats = False
        await expect(tab.locator("body")).to_have_attribute("data-link", "lost")
        assert await violations(tab) == []
