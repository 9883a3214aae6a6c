"""Starting a session from the page, in a real browser: plans, going on, and the questions of another day."""

from collections.abc import AsyncIterator

import pytest
import pytest_asyncio
from playwright.async_api import Browser, expect

from daq.errors import Refusal
from daq.operations import SameAsBefore, Start
from tests.runtime.faces import PLAN
from tests.system.live_page import IDLE, NEEDS_A_BROWSER, Bench
from tests.system.operated_page import (
    UNFINISHED,
    offer_an_old_session,
    operated,
    press,
    refused,
)

pytestmark = NEEDS_A_BROWSER

ALL_SAME = SameAsBefore(machine=True, meters=True, room=True)


@pytest_asyncio.fixture(loop_scope="module")
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    bench.snapshot = IDLE
    async with bench.serving():
        yield bench


async def test_a_plan_with_faults_is_shown_with_them_and_cannot_be_chosen(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        await press(tab, "Start a session…")
        broken = tab.locator(".choice", has_text="filters")
        await expect(broken).to_contain_text("filters.toml:3: machine: is missing")
        await expect(broken.locator("input")).to_be_disabled()


@pytest.mark.parametrize("anew", [False, True])
async def test_an_unfinished_session_goes_on_or_is_begun_anew(
    browser: Browser, bench: Bench, *, anew: bool
) -> None:
    bench.face.plans_on_offer = [{**PLAN, "unfinished": UNFINISHED}]
    async with operated(browser, bench) as tab:
        await press(tab, "Start a session…")
        await expect(tab.locator("#sheet")).to_contain_text("2 of 6 done")
        if anew:
            await tab.get_by_role("radio", name="Begin anew").check()
        await press(tab, "Begin the session" if anew else "Go on with session 3")
        await expect(tab.locator("#sheet")).to_be_hidden()
        assert bench.face.operations == [(Start("leads", new=anew), "page")]


async def test_the_start_is_asked_for_with_the_keyboard_alone(
    browser: Browser, bench: Bench
) -> None:
    second = {**PLAN, "name": "filters", "unfinished": None}
    bench.face.plans_on_offer = [{**PLAN, "unfinished": None}, second]
    async with operated(browser, bench) as tab:
        start = tab.locator("[data-control=start]")
        await start.focus()
        await tab.keyboard.press("Enter")
        await expect(tab.locator("#sheet")).to_be_visible()
        # The way out gives the keyboard back to where it was.
        await tab.keyboard.press("Escape")
        await expect(start).to_be_focused()
        await tab.keyboard.press("Enter")
        await expect(tab.locator("[name=plan][value=leads]")).to_be_focused()
        await tab.keyboard.press("ArrowDown")
        await expect(tab.locator("[name=plan][value=filters]")).to_be_checked()
        await tab.keyboard.press("Enter")
        await expect(tab.locator("#sheet")).to_be_hidden()
        await expect(start).to_be_focused()
        assert bench.face.operations == [(Start("filters"), "page")]


async def test_on_another_day_three_questions_are_asked_and_the_answers_reach_the_bench(
    browser: Browser, bench: Bench
) -> None:
    offer_an_old_session(bench)
    async with operated(browser, bench) as tab:
        await press(tab, "Start a session…")
        questions = tab.get_by_role("checkbox")
        await expect(questions).to_have_count(3 + 1)  # and the key of the far view
        for name in ("The same machine", "The same meters", "The same room"):
            await expect(tab.locator(".same [role=status]")).to_contain_text("begin anew")  # fmt: skip
            await tab.get_by_role("checkbox", name=name).check()
        await expect(tab.locator(".same [role=status]")).to_contain_text(
            "the session goes on, with a trial of the baseline first"
        )
        await press(tab, "Go on with session 3")
        await expect(tab.locator("#sheet")).to_be_hidden()
        assert bench.face.operations == [(Start("leads", same=ALL_SAME), "page")]


async def test_a_day_that_changed_meanwhile_brings_the_questions_up(
    browser: Browser, bench: Bench
) -> None:
    bench.face.plans_on_offer = [{**PLAN, "unfinished": UNFINISHED}]
    bench.face.refusal = refused(
        Refusal.ANOTHER_DAY, "session 3: last worked on 9 h ago"
    )
    async with operated(browser, bench, complaints_expected=True) as tab:
        await press(tab, "Start a session…")
        await expect(tab.locator(".same")).to_be_hidden()
        await press(tab, "Go on with session 3")
        await expect(tab.get_by_role("checkbox", name="The same machine")).to_be_focused()  # fmt: skip
        await tab.get_by_role("checkbox", name="The same room").check()
        bench.face.refusal = refused(
            Refusal.NOT_THE_SAME, "begin anew: not all is the same"
        )
        await press(tab, "Go on with session 3")
        await expect(tab.locator("#sheet [role=alert]")).to_have_text(
            "Begin anew: not all is the same."
        )
        same = SameAsBefore(machine=False, meters=False, room=True)
        assert bench.face.operations[-1] == (Start("leads", same=same), "page")
