"""The page asks the operator for a reading: a field for a thumb, doubts with a way to confirm, nothing for a reader."""

import dataclasses
from collections.abc import AsyncIterator

import pytest_asyncio
from playwright.async_api import Browser, expect

from daq.errors import Refusal
from daq.operations import CannotRead, TakeBack, TypedReading
from daq.runtime.snapshot import AskingLine, InstrumentLine, TypedLine
from tests.system.live_page import (
    AVERAGING,
    NEEDS_A_BROWSER,
    NOW_S,
    PHONE,
    POWER,
    TEMPERATURE,
    Bench,
    opened,
    overhang_px,
    violations,
)
from tests.system.operated_page import operated, press, refused

pytestmark = NEEDS_A_BROWSER

ASKING = AskingLine("velocity", "Outlet velocity", "m/s", "outlet", 1, 2, 5, NOW_S, NOW_S + 30.0)  # fmt: skip
ASKED = dataclasses.replace(
    AVERAGING,
    instruction="Read Outlet velocity, outlet, and type it.",
    urgency="action",
    asking=ASKING,
)
LEAST_TARGET_PX = 44


@pytest_asyncio.fixture(loop_scope="module")
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    bench.snapshot = ASKED
    async with bench.serving():
        yield bench


async def test_a_reading_is_typed_with_a_thumb(browser: Browser, bench: Bench) -> None:
    async with operated(browser, bench, PHONE) as tab:
        field = tab.get_by_label("What the display shows, in m/s")
        await expect(tab.locator("#asking h2")).to_have_text(
            "Outlet velocity, outlet: reading 2 of 5"
        )
        assert await field.get_attribute("inputmode") == "decimal"
        for target in (field, *await tab.locator("#asking button:visible").all()):
            box = await target.bounding_box()
            assert box is not None
            assert box["height"] >= LEAST_TARGET_PX
        assert await overhang_px(tab) == 0
        assert await violations(tab) == []
        await field.fill("12,3")
        await press(tab, "Keep this reading")
        await expect(tab.locator("#hand [role=status]")).to_have_text("Done as asked.")
        await expect(field).to_have_value("")
        bench.show(AVERAGING)
        await expect(tab.locator("#asking")).to_be_hidden()
    assert bench.face.operations == [(TypedReading("velocity", "12,3"), "page")]


async def test_a_doubt_is_shown_and_confirmed_or_typed_anew(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench, complaints_expected=True) as tab:
        words = "Outlet velocity: is 123 what the display shows?"
        bench.face.refusal = refused(Refusal.DOUBTED, words)
        field = tab.locator("#asking-text")
        await field.fill("123")
        await field.press("Enter")
        await expect(tab.locator("#asking [role=alert]")).to_have_text(words)
        confirm = tab.get_by_role("button", name="The display shows 123")
        await expect(confirm).to_be_visible()
        assert await violations(tab) == []
        await field.fill("12.3")
        await expect(confirm).to_be_hidden()
        await expect(tab.locator("#asking [role=alert]")).to_have_text("")
        await field.fill("123")
        await field.press("Enter")
        bench.face.refusal = None
        await confirm.click()
        await expect(field).to_have_value("")
    assert [operation for operation, _ in bench.face.operations] == [
        TypedReading("velocity", "123"),
        TypedReading("velocity", "123"),
        TypedReading("velocity", "123", as_typed=True),
    ]


async def test_what_cannot_be_read_is_said_with_one_press_and_an_empty_field_is_no_reading(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        await press(tab, "Keep this reading")
        await expect(tab.locator("#asking [role=alert]")).to_have_text(
            "Type first what the display shows."
        )
        await press(tab, "Cannot read it now")
        await expect(tab.locator("#hand [role=status]")).to_have_text("Done as asked.")
    assert bench.face.operations == [(CannotRead("velocity"), "page")]


async def test_the_next_asking_begins_with_an_empty_field(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        field = tab.locator("#asking-text")
        await field.fill("12")
        bench.show(ASKED)
        await expect(field).to_have_value("12")
        again = dataclasses.replace(ASKING, number=3, since_s=NOW_S + 20.0)
        bench.show(ASKED, asking=again)
        await expect(field).to_have_value("")
        await expect(tab.locator("#asking h2")).to_contain_text("reading 3 of 5")
        beyond = dataclasses.replace(again, number=6, since_s=NOW_S + 25.0)
        bench.show(ASKED, asking=beyond)
        await expect(tab.locator("#asking h2")).to_contain_text(
            "reading 6 (5 are enough)"
        )


async def test_a_reader_sees_what_is_asked_and_no_field(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        await expect(tab.locator("#instruction")).to_contain_text("type it")
        await expect(tab.locator("#asking")).to_be_hidden()


# ---- taken back

FIRST = TypedLine("velocity", "Outlet velocity", "m/s", 1, 12.3, NOW_S - 20.0)
WRONG = dataclasses.replace(FIRST, value=123.0, at_s=NOW_S - 5.25)
TYPED = dataclasses.replace(AVERAGING, typed_readings=(FIRST, WRONG))


async def test_a_wrong_reading_is_taken_back_with_two_presses(
    browser: Browser, bench: Bench
) -> None:
    bench.snapshot = TYPED
    async with operated(browser, bench, PHONE) as tab:
        await tab.get_by_text("2 readings typed in this trial").click()
        lines = tab.locator("#typed li")
        await expect(lines.first).to_contain_text("Outlet velocity 123.0")
        button = lines.first.get_by_role("button")
        box = await button.bounding_box()
        assert box is not None
        assert box["height"] >= LEAST_TARGET_PX
        assert await overhang_px(tab) == 0
        assert await violations(tab) == []
        await button.click()
        await expect(button).to_have_text("It was wrong: take it back")
        assert bench.face.operations == []
        await button.click()
        await expect(tab.locator("#hand [role=status]")).to_have_text("Done as asked.")
        bench.show(TYPED, typed_readings=(FIRST,))
        await expect(lines).to_have_count(1)
    assert bench.face.operations == [(TakeBack("velocity", NOW_S - 5.25), "page")]


async def test_a_press_somewhere_else_leaves_the_reading_where_it_is(
    browser: Browser, bench: Bench
) -> None:
    bench.snapshot = TYPED
    async with operated(browser, bench) as tab:
        await tab.get_by_text("2 readings typed in this trial").click()
        button = tab.locator("#typed li").first.get_by_role("button")
        await button.click()
        await tab.get_by_text("2 readings typed in this trial").focus()
        await expect(button).to_have_text("Take back")
    assert bench.face.operations == []


async def test_a_reader_is_not_offered_to_take_anything_back(
    browser: Browser, bench: Bench
) -> None:
    bench.snapshot = TYPED
    async with opened(browser, bench) as tab:
        await expect(tab.locator("#instruction")).to_be_visible()
        await expect(tab.locator("#typed")).to_be_hidden()


# ---- beside the other channels


async def test_a_typed_channel_says_when_it_was_typed_and_one_reading_is_one(
    browser: Browser, bench: Bench
) -> None:
    typed = dataclasses.replace(TEMPERATURE, name="velocity", instrument="by_eye", condition="ok", typed=True)  # fmt: skip
    meter = InstrumentLine("by_eye", "", "ok", "read by the operator", 1, 0)
    bench.show(AVERAGING, channels=(POWER, typed), instruments=(meter,))
    async with opened(browser, bench) as tab:
        asides = tab.locator("#channels .aside")
        await expect(asides.filter(has_text="typed ")).to_have_count(1)
        await expect(asides.filter(has_text="by wattmeter")).to_have_count(1)
        await expect(asides.filter(has_text="by_eye")).to_have_count(0)
        await expect(tab.locator("#margin")).to_contain_text("; 1 reading, 0 gaps")
