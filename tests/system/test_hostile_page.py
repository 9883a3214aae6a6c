"""Names and notes made up to do harm are text on the page, and nothing else."""

import dataclasses

from playwright.async_api import Browser, expect

from tests.core.test_hostile_names import COMMAND, LONG, SCRIPTS
from tests.runtime.faces import SNAPSHOT
from tests.system.hostile_snapshot import named
from tests.system.live_page import (
    NEEDS_A_BROWSER,
    TRIAL,
    WAITING_SLIP,
    Bench,
    opened,
)

pytestmark = NEEDS_A_BROWSER


async def test_the_page_shows_names_as_text(browser: Browser, bench: Bench) -> None:
    whole = dataclasses.replace(SNAPSHOT, trial=TRIAL, slip=WAITING_SLIP)
    bench.snapshot = whole
    elements = "document.querySelectorAll('script, img, iframe, object, a').length"
    async with opened(browser, bench) as tab:
        await expect(tab.locator("#slip-rows tr")).to_have_count(3)
        asked: list[str] = []
        tab.on("dialog", lambda dialog: asked.append(dialog.message))
        before = await tab.evaluate(elements)
        for text in (" ".join(SCRIPTS), COMMAND, LONG):
            bench.show(named(whole, text))
            begins = text[:40].strip()
            await expect(tab.locator("#instruction")).to_contain_text(begins)
            await expect(tab.locator("#slip-rows")).to_contain_text(begins)
            assert await tab.evaluate(elements) == before
        assert asked == []
