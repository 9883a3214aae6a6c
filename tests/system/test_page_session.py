"""A whole session, followed and operated from the page: real meters' simulators, the real service, a real browser."""

from pathlib import Path

import pytest
from playwright.async_api import Page as Tab
from playwright.async_api import expect

from tests.system.bench_process import Simulators
from tests.system.live_page import NEEDS_A_BROWSER, chromium, violations
from tests.system.page_session import (
    ALIKE,
    BASELINE,
    LONG,
    SPARE,
    THIN,
    WINDY,
    Service,
    calls_for,
    change,
    is_at,
    is_charted,
    measure,
    press,
    row,
    says,
    served,
    start,
    switch_on,
    times_in_chart,
    viewer,
)

pytestmark = [*NEEDS_A_BROWSER, pytest.mark.pty, pytest.mark.timeout(400)]

EVERY_STAGE = {
    "idle", "waiting", "running up", "settling", "averaging", "done", "not settled", "a limit is broken", "paused",
    "finished",
}  # fmt: skip


async def test_a_whole_session_is_followed_and_operated_from_the_page(
    tmp_path: Path,
) -> None:
    service = Service(tmp_path, BASELINE, LONG, ALIKE, SPARE, THIN, WINDY)
    with served(service) as hand:
        async with chromium() as browser, viewer(browser) as who:
            tab = await who.open(service.link("To operate"))
            await is_at(tab, "idle")
            await axe(tab)
            await start(tab)
            await measured_and_noted(tab, hand)
            await mixed_up_and_relabelled(tab, hand)
            await left_out_and_paused(tab)
            await stopped_by_a_limit(tab, hand)
            await unplugged_and_back(tab, hand)
            await once_more(tab, hand)
            assert who.words("stage") >= EVERY_STAGE
            assert who.words("verdict") == {"real", "none found", "undecided"}
            await looked_at_afterwards(tab)
            assert who.watch.complaints == []
    assert "Traceback" not in service.said


async def axe(tab: Tab) -> None:
    """Nothing keeps anybody from using this view, by day or by night."""
    for scheme in ("dark", "light"):
        await tab.emulate_media(color_scheme=scheme)
        assert await violations(tab) == []


async def measured_and_noted(tab: Tab, hand: Simulators) -> None:
    await calls_for(tab, BASELINE)
    await axe(tab)
    switch_on(hand, BASELINE)
    await is_at(tab, "settling")
    await press(tab, "Note…")
    await axe(tab)
    await tab.get_by_label("What is worth keeping").fill("window open")
    await press(tab, "Keep the note")
    await says(tab, "Noted.")
    await expect(tab.locator("#events")).to_contain_text("window open")
    await is_at(tab, "done")
    await axe(tab)
    hand.say("off")
    await expect(row(tab, BASELINE)).to_contain_text("note: window open")


async def mixed_up_and_relabelled(tab: Tab, hand: Simulators) -> None:
    """What the next line is for was fitted too soon: the trial goes there, and its own line is called for again."""
    await measure(tab, hand, LONG, fitted=ALIKE)
    await calls_for(tab, ALIKE)
    await change(tab, LONG, "Another condition was fitted", condition=ALIKE, reason="mixed up on the hook")  # fmt: skip
    await says(tab, f"{LONG} is called for again")
    await expect(tab.locator("#slip")).to_contain_text("mixed up on the hook")
    await measure(tab, hand, LONG)
    await expect(row(tab, LONG).locator(".verdict b", has_text="real").first).to_be_visible(timeout=60_000)  # fmt: skip


async def left_out_and_paused(tab: Tab) -> None:
    await calls_for(tab, SPARE)
    await press(tab, "Leave out this line…")
    await tab.get_by_label("Reason").fill("it is lent")
    await press(tab, "Leave it out")
    await says(tab, "is left out")
    await press(tab, "Pause")
    await says(tab, "Paused")
    await is_at(tab, "paused")
    await axe(tab)
    await press(tab, "Go on")
    await says(tab, "The session goes on")


async def stopped_by_a_limit(tab: Tab, hand: Simulators) -> None:
    await calls_for(tab, THIN)
    switch_on(hand, THIN)
    await is_at(tab, "a limit is broken")
    await expect(tab.locator("#banners [data-kind=danger]")).to_contain_text("Switch off at the plug")  # fmt: skip
    await axe(tab)
    hand.say("off")
    await expect(row(tab, THIN)).to_contain_text("limit broken")


async def unplugged_and_back(tab: Tab, hand: Simulators) -> None:
    """A meter is lost in a trial, which cannot settle then; once it is back, the line is called for again."""
    await calls_for(tab, WINDY)
    switch_on(hand, WINDY)
    await is_at(tab, "settling")
    hand.say("unplug air")
    banner = tab.locator(
        "#banners [data-kind=danger]", has_text="anemometer is not heard"
    )
    await expect(banner).to_be_visible()
    velocity = tab.locator("#digits li", has_text="Outlet velocity")
    await expect(velocity).to_have_class("is-old")
    await axe(tab)
    await is_at(tab, "not settled")
    hand.say("plug air")
    await expect(banner).to_be_hidden()
    await expect(velocity).not_to_have_class("is-old")
    hand.say("off")
    await measure(tab, hand, WINDY)


async def once_more(tab: Tab, hand: Simulators) -> None:
    """After the last line nothing is left to do, until one is called for once more; only finished trials are compared."""
    await is_at(tab, "finished")
    await change(tab, ALIKE, "Once more One more")
    await says(tab, f"{ALIKE}, repeat")
    await measure(tab, hand, ALIKE)
    await is_at(tab, "finished")
    await expect(tab.locator("#answer-title")).to_contain_text("The answer, after 5 trials", timeout=60_000)  # fmt: skip
    await axe(tab)
    await tab.keyboard.press("f")
    await axe(tab)
    await tab.keyboard.press("f")


async def looked_at_afterwards(tab: Tab) -> None:
    await press(tab, "Sessions")
    await axe(tab)
    await tab.get_by_role("link", name="Session 1").click()
    await expect(tab.locator("#stored")).to_contain_text("nothing here is live")
    await axe(tab)
    await row(tab, BASELINE).get_by_role("link", name="Readings").click()
    await expect(tab.locator("#channels-title")).to_contain_text(BASELINE)
    await axe(tab)
    times = await times_in_chart(tab, "power")
    assert len(times) > 40
    await is_charted(tab, "power")
    await tab.get_by_role("link", name="Back to the live page").click()
    await is_at(tab, "finished")
