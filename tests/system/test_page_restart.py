"""The page while what it hangs on comes and goes: the service is killed, the tab is closed, the network is away."""

import re
from pathlib import Path

import pytest
from playwright.async_api import Page as Tab
from playwright.async_api import expect

from tests.system.live_page import NEEDS_A_BROWSER, chromium
from tests.system.page_session import (
    ALIKE,
    BASELINE,
    PATIENCE_MS,
    Network,
    Service,
    calls_for,
    is_at,
    is_charted,
    measure,
    misses_of,
    row,
    served,
    start,
    switch_on,
    viewer,
)

pytestmark = [*NEEDS_A_BROWSER, pytest.mark.pty, pytest.mark.timeout(300)]
LOST = "Connection to the bench lost"


async def is_lost(tab: Tab) -> None:
    await expect(tab.locator("body")).to_have_attribute("data-link", "lost")
    await expect(tab.locator("#banners [role=alert]").first).to_contain_text(LOST)
    await expect(tab).to_have_title(re.compile("^Connection lost"))
    await expect(tab.locator("#hand button:visible")).to_have_count(0)


async def is_live(tab: Tab) -> None:
    await expect(tab.locator("body")).to_have_attribute(
        "data-link", "live", timeout=PATIENCE_MS
    )
    await expect(tab.locator("#banners", has_text=LOST)).to_have_count(0)
    await expect(tab.locator("#hand button:visible").first).to_be_visible()


async def test_a_page_outlives_its_service_and_the_session_goes_on(
    tmp_path: Path,
) -> None:
    service = Service(tmp_path, BASELINE, ALIKE)
    with served(service) as hand:
        async with chromium() as browser, viewer(browser) as who:
            tab = await who.open(service.link("To operate"))
            await start(tab)
            await measure(tab, hand, BASELINE)
            await calls_for(tab, ALIKE)
            switch_on(hand, ALIKE)
            await is_at(tab, "settling")
            before_s = service.told_s("power")
            service.kill()
            await is_lost(tab)
            service.start()
            await is_live(tab)
            assert await misses_of(tab, "power", before_s) == []
            # What the trial had measured is kept; it is asked for again, after the machine was switched off.
            await expect(tab.locator("#instruction")).to_contain_text("off")
            hand.say("off")
            await measure(tab, hand, ALIKE)
            await is_at(tab, "finished")
            await expect(row(tab, BASELINE)).to_contain_text("done")
            await expect(row(tab, ALIKE)).to_contain_text("done")
    assert "Traceback" not in service.said


async def test_a_page_that_was_away_shows_the_whole_trial(tmp_path: Path) -> None:
    service = Service(tmp_path, BASELINE)
    with served(service) as hand:
        async with (
            chromium() as browser,
            Network().running() as network,
            viewer(browser, over=network) as who,
        ):
            tab = await who.open(service.link("To operate"))
            await start(tab)
            await calls_for(tab, BASELINE)
            switch_on(hand, BASELINE)
            await is_at(tab, "settling")

            network.take_away()
            await is_lost(tab)
            network.bring_back()
            await is_live(tab)
            assert await misses_of(tab, "power", service.told_s("power")) == []

            await tab.close()
            tab = await who.open(service.url)
            await expect(tab.locator("[data-path=role]")).to_have_text("Role: operator")
            await is_at(tab, "done")
            assert await misses_of(tab, "power", service.told_s("power")) == []
            await is_charted(tab, "power")
            hand.say("off")
            await is_at(tab, "finished")
