"""How much longer a trial takes, on the live page in a real browser."""

import dataclasses
import re

import pytest
from playwright.async_api import Browser, expect

from tests.system.live_page import (
    AVERAGING,
    NEEDS_A_BROWSER,
    PHONE,
    WIDE,
    Bench,
    opened,
    overhang_px,
)

pytestmark = NEEDS_A_BROWSER


async def test_how_much_longer_it_takes_is_told_in_the_benchs_words(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        left, heading = tab.locator("#left"), tab.locator("h1")
        await expect(left).to_be_hidden()
        for seconds, words, ready in (
            (210.0, "about 3½ min more", ""),
            (90.0, "about 1½ min more", ""),
            (40.0, "about 40 s more", ""),
            (0.0, "any moment now", "ready "),
        ):
            stage = dataclasses.replace(AVERAGING.stage, seconds_left=seconds, time_left=words)  # fmt: skip
            instruction = f"Keep it running, {ready}{words}."
            bench.show(AVERAGING, stage=stage, instruction=instruction)
            await expect(left).to_have_text(words)
            await expect(heading).to_have_text(instruction)
        unknown = dataclasses.replace(AVERAGING.stage, name="settling", progress=None, seconds_left=None, time_left="")  # fmt: skip
        bench.show(AVERAGING, stage=unknown, instruction="Keep it running.")
        await expect(left).to_be_hidden()
        await expect(tab.locator("#bar")).not_to_have_attribute(
            "aria-valuenow", re.compile(".*")
        )


async def test_a_count_that_runs_down_is_spoken_once(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        # A new text node is an announcement; a changed one is silent.
        script = "window.spoken = 0; new MutationObserver(() => spoken++).observe(document.querySelector('h1'), {childList: true})"
        await tab.evaluate(script)
        heading = tab.locator("h1")
        for words in ("about 3½ min", "about 3 min", "about 2¾ min", "about 1 min"):
            bench.show(AVERAGING, instruction=f"Keep it running, {words} more.")
            await expect(heading).to_have_text(f"Keep it running, {words} more.")
        assert await tab.evaluate("spoken") == 1


@pytest.mark.parametrize("size", [WIDE, PHONE])
async def test_no_count_makes_the_page_wider_or_moves_what_stands_below(
    browser: Browser, bench: Bench, size: tuple[int, int]
) -> None:
    async with opened(browser, bench, size) as tab:
        places = []
        for words in ("about 12¾ min more", "about 5 s more", "ready any moment now"):
            stage = dataclasses.replace(AVERAGING.stage, time_left=words)
            bench.show(AVERAGING, stage=stage, instruction=f"Keep it running, {words}.")
            await expect(tab.locator("#left")).to_have_text(words)
            assert await overhang_px(tab) <= 0
            places.append(await tab.locator("#digits").bounding_box())
        if size == WIDE:
            # Room for two lines is kept there; a telephone has room for what is said.
            assert places == [places[0]] * 3
