"""The page's two signals, in a real browser: what is played is listened to where it is made."""

from collections.abc import AsyncIterator

import pytest_asyncio
from playwright.async_api import Browser, expect
from playwright.async_api import Page as Tab

from tests.system.live_page import (
    AVERAGING,
    DESK,
    NEEDS_A_BROWSER,
    Bench,
    opened,
)
from tests.system.operated_page import ALARM, CALLING

pytestmark = NEEDS_A_BROWSER


LISTEN = """
window.notes = [];
const Made = OscillatorNode;
window.OscillatorNode = class extends Made {
  constructor(context, options) { super(context, options); notes.push(options.type); }
};
"""


@pytest_asyncio.fixture(loop_scope="module")
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    bench.snapshot = CALLING
    async with bench.serving():
        yield bench


async def sounded(tab: Tab) -> int:
    """Notes of the signal that something is wrong; it alone is harsh."""
    return int(await tab.evaluate("notes.filter(type => type === 'square').length"))


async def attend(tab: Tab, at_ms: float) -> None:
    script = "async at_ms => (await import('/sound.js')).attend(at_ms)"
    await tab.evaluate(script, at_ms)


async def test_sound_is_tried_when_it_is_switched_on_and_remembered(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await tab.add_init_script(LISTEN)
        await tab.reload()
        sound = tab.locator("[data-path=sound]")
        await expect(sound).to_have_text("Sound: off")
        assert await tab.evaluate("notes.length") == 0
        await sound.click()
        await expect(sound).to_have_text("Sound: on")
        await expect(tab.locator(".answer")).to_contain_text("two rising notes")
        assert set(await tab.evaluate("notes")) == {"sine", "square"}
        await tab.reload()
        # A browser plays nothing before it was touched: that is said, not hidden.
        await expect(sound).to_have_text("Sound: on, touch the page once")
        await tab.locator("h1").click()
        await expect(sound).to_have_text("Sound: on")


async def test_what_is_wrong_sounds_again_after_ten_seconds_until_it_is_silenced(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await tab.add_init_script(LISTEN)
        await tab.reload()
        await tab.locator("[data-path=sound]").click()
        tried = await sounded(tab)
        before_ms = await tab.evaluate("performance.now()")
        bench.show(CALLING, alarms=(ALARM,))
        await expect(tab.locator("[data-path=silence]")).to_be_visible()
        assert await sounded(tab) == 2 * tried
        await attend(tab, before_ms + 9_900.0)
        assert await sounded(tab) == 2 * tried
        since_ms = await tab.evaluate("performance.now()")
        await attend(tab, since_ms + 10_001.0)
        assert await sounded(tab) == 3 * tried
        await tab.locator("[data-path=silence]").click()
        await attend(tab, since_ms + 30_000.0)
        assert await sounded(tab) == 3 * tried


async def test_a_new_request_to_the_operator_sounds_once(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await tab.add_init_script(LISTEN)
        bench.snapshot = AVERAGING
        await tab.reload()
        await expect(tab.locator("#instruction")).to_contain_text("Keep it running")
        await tab.locator("[data-path=sound]").click()
        tried = await tab.evaluate("notes.length")
        bench.show(CALLING)
        await expect(tab.locator("#instruction")).to_have_text(CALLING.instruction)
        notes = await tab.evaluate("notes")
        assert notes[tried:] == ["sine", "sine"]
        bench.show(CALLING, alarms=())
        await attend(tab, 1e9)
        assert len(await tab.evaluate("notes")) == tried + 2
