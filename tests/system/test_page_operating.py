"""The operator's hand on the page, in a real browser: what is offered, what reaches the bench, what is said of it."""

import asyncio
import dataclasses
from collections.abc import AsyncIterator, Awaitable, Callable

import pytest
import pytest_asyncio
from playwright.async_api import Browser, expect
from playwright.async_api import Page as Tab

from daq.errors import Refusal
from daq.operations import (
    Acknowledge,
    GoOn,
    Note,
    Operation,
    Pause,
    Relabel,
    Repeat,
    Skip,
    Stop,
    Switched,
)
from daq.runtime.snapshot import Snapshot
from daq.runtime.web.access import Role
from tests.system.live_page import (
    AVERAGING,
    DESK,
    IDLE,
    NEEDS_A_BROWSER,
    PHONE,
    Bench,
    opened,
    overhang_px,
    violations,
)
from tests.system.operated_page import (
    ALARM,
    ALARMING,
    CALLING,
    FINISHED,
    LEFT_RUNNING,
    PAUSED,
    SLIP,
    THIRD,
    link,
    offer_an_old_session,
    operated,
    press,
    refused,
)

pytestmark = NEEDS_A_BROWSER


@pytest_asyncio.fixture(loop_scope="module")
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    bench.snapshot = CALLING
    async with bench.serving():
        yield bench


# ---- the link


async def test_a_link_makes_its_browser_the_operator_and_leaves_no_token_behind(
    browser: Browser, bench: Bench
) -> None:
    token = bench.keys.token(Role.OPERATOR)
    context = await browser.new_context()
    tab = await context.new_page()
    asked: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    await tab.goto(link(bench))
    await expect(tab.locator("[data-path=role]")).to_have_text("Role: operator")
    assert tab.url == bench.url
    await tab.goto("about:blank")
    await tab.go_back()
    # Coming back does not bring the token back, and the browser is still the operator's.
    assert tab.url == bench.url
    await expect(tab.locator("[data-path=role]")).to_have_text("Role: operator")
    assert not [url for url in asked if token in url]
    assert await tab.evaluate("document.cookie") == ""
    await context.close()


async def test_a_link_pasted_into_the_open_page_is_taken_and_removed(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await expect(tab.locator("[data-path=role]")).to_have_text("Role: reader")
        await tab.goto(link(bench))
        await expect(tab.locator("[data-path=role]")).to_have_text("Role: operator")
        await expect(tab.locator("[data-control=pace]")).to_be_visible()
        assert tab.url == bench.url


async def test_a_link_that_holds_no_more_is_said_in_words(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK, complaints_expected=True) as tab:
        await tab.goto(f"{bench.url}#operate=not-the-token")
        await expect(tab.locator(".answer")).to_contain_text(
            "does not hold any more, or was cut short"
        )
        assert tab.url == bench.url
        await press(tab, "Close this line")
        await expect(tab.locator(".answer")).to_be_hidden()


async def test_a_reader_is_offered_nothing_and_told_how_to_come_to_it(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await expect(tab.locator("#hand")).to_contain_text("open the operator's link")
        await expect(tab.locator("#hand button:visible, .row-button:visible")).to_have_count(0)  # fmt: skip


async def test_the_role_can_be_given_up(browser: Browser, bench: Bench) -> None:
    async with operated(browser, bench) as tab:
        await press(tab, "Role: operator")
        await press(tab, "Give up this role in this browser…")
        await press(tab, "Give up the role")
        await expect(tab.locator("[data-path=role]")).to_have_text("Role: reader")
        await expect(tab.locator(".controls")).to_be_hidden()


async def test_the_readers_links_are_made_void_only_after_a_second_word(
    browser: Browser, bench: Bench
) -> None:
    before = bench.keys.token(Role.READER)
    async with operated(browser, bench) as tab:
        await press(tab, "Role: operator")
        await press(tab, "Make the readers' links void…")
        await expect(tab.locator("#sheet")).to_contain_text("This cannot be undone.")
        assert bench.keys.token(Role.READER) == before
        await press(tab, "Make void")
        await expect(tab.locator(".answer")).to_contain_text("void")
        assert bench.keys.token(Role.READER) != before


# ---- what is offered


@pytest.mark.parametrize(
    ("snapshot", "words"),
    [
        (IDLE, ["Start a session…", "Note…"]),
        (CALLING, ["Pause", "Machine switched by hand", "Note…", "Stop for now…", "Leave out this line…"]),
        (PAUSED, ["Go on", "Machine switched by hand", "Note…", "Stop for now…", "Leave out this line…"]),
        (AVERAGING, ["Pause", "Machine switched by hand", "Note…", "Stop for now…"]),
        (ALARMING, ["Pause", "Machine switched by hand", "Note…", "Stop for now…", "Acknowledge: it may run on"]),
        (FINISHED, ["Start a session…", "Note…", "Put this session away"]),
        (LEFT_RUNNING, ["Start a session…", "It was switched off", "Note…"]),
    ],
    ids=["idle", "calling", "paused", "averaging", "alarming", "finished", "left running"],
)  # fmt: skip
async def test_only_what_can_be_done_now_is_offered(
    browser: Browser, bench: Bench, snapshot: Snapshot, words: list[str]
) -> None:
    bench.snapshot = snapshot
    async with operated(browser, bench) as tab:
        await expect(tab.locator(".controls button")).to_have_text(words)


async def test_a_line_can_be_changed_once_it_has_a_trial_or_was_left_out(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        changes = tab.locator(".row-button:visible")
        await expect(changes).to_have_count(2)
        await expect(changes.first).to_have_attribute(
            "aria-label", "Change at the outlet"
        )
        left_out = dataclasses.replace(THIRD, state="skipped")
        bench.show(CALLING, slip=(*SLIP[:2], left_out))
        await expect(changes).to_have_count(3)


async def test_nothing_is_offered_while_the_connection_is_lost(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        bench.beats = False
        await expect(tab.locator("body")).to_have_attribute("data-link", "lost")
        await expect(tab.locator("#hand")).to_contain_text("Nothing can be asked")
        await expect(tab.locator("#hand button:visible, .row-button:visible")).to_have_count(0)  # fmt: skip
        bench.beats = True
        await expect(tab.locator("[data-control=pace]")).to_be_visible()


async def test_the_keyboard_stays_where_it_was_when_a_control_goes(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        await tab.locator("[data-control=skip]").focus()
        bench.show(AVERAGING, slip=SLIP)
        await expect(tab.locator("[data-control=skip]")).to_have_count(0)
        await expect(tab.locator("[data-control=pace]")).to_be_focused()


# ---- every operation reaches the bench


async def pause(tab: Tab) -> None:
    await press(tab, "Pause")


async def go_on(tab: Tab) -> None:
    await press(tab, "Go on")


async def switched(tab: Tab) -> None:
    await press(tab, "Machine switched by hand")


async def switched_off(tab: Tab) -> None:
    await press(tab, "It was switched off")


async def acknowledge(tab: Tab) -> None:
    await press(tab, "Acknowledge: it may run on")


async def note(tab: Tab) -> None:
    await press(tab, "Note…")
    await tab.get_by_label("What is worth keeping").fill("window open")
    await tab.keyboard.press("Enter")


async def skip(tab: Tab) -> None:
    await press(tab, "Leave out this line…")
    await tab.get_by_label("Reason").fill("lead is missing")
    await press(tab, "Leave it out")


async def stop(tab: Tab) -> None:
    await press(tab, "Stop for now…")
    await press(tab, "Stop the session")


async def put_away(tab: Tab) -> None:
    await press(tab, "Put this session away")


async def once_more(tab: Tab) -> None:
    await press(tab, "Change at the outlet")
    await tab.get_by_role("radio", name="Once more One more").check()
    await press(tab, "Do this")


async def in_place(tab: Tab) -> None:
    await press(tab, "Change at the outlet")
    await tab.get_by_role("radio", name="in place of this trial").check()
    await tab.get_by_label("Why it shall not count").fill("a hand in the air stream")
    await press(tab, "Do this")


async def relabel(tab: Tab) -> None:
    await press(tab, "Change 2.5 mm², 25 m")
    await tab.get_by_role("radio", name="Another condition was fitted").check()
    await tab.get_by_label("What was fitted").select_option("1.5 mm², 25 m")
    await tab.get_by_label("How that came about").fill("mixed up on the hook")
    await press(tab, "Do this")


@pytest.mark.parametrize(
    ("snapshot", "act", "asked"),
    [
        (CALLING, pause, Pause()),
        (PAUSED, go_on, GoOn()),
        (CALLING, switched, Switched()),
        (ALARMING, acknowledge, Acknowledge()),
        (LEFT_RUNNING, switched_off, Switched()),
        (CALLING, note, Note("window open")),
        (CALLING, skip, Skip("lead is missing")),
        (CALLING, stop, Stop()),
        (FINISHED, put_away, Stop()),
        (CALLING, once_more, Repeat(1)),
        (CALLING, in_place, Repeat(1, "a hand in the air stream")),
        (CALLING, relabel, Relabel(12, "1.5 mm², 25 m", "mixed up on the hook")),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
async def test_what_is_pressed_reaches_the_bench_and_its_answer_is_said(
    browser: Browser,
    bench: Bench,
    snapshot: Snapshot,
    act: Callable[[Tab], Awaitable[None]],
    asked: Operation,
) -> None:
    bench.snapshot = snapshot
    bench.face.answer = "It is done, told from the page."
    async with operated(browser, bench) as tab:
        await act(tab)
        await expect(tab.locator("#hand [role=status]")).to_have_text(
            "It is done, told from the page."
        )
        await expect(tab.locator("#sheet")).to_be_hidden()
        assert bench.face.operations == [(asked, "page")]


async def test_a_press_while_one_is_under_way_asks_for_nothing_more(
    browser: Browser, bench: Bench
) -> None:
    answering = asyncio.Event()
    operate = bench.face.operate

    async def slowly(operation: Operation, *, way: str) -> str:
        text = await operate(operation, way=way)
        await answering.wait()
        return text

    bench.face.operate = slowly  # type: ignore[method-assign] # a bench that takes its time
    async with operated(browser, bench) as tab:
        button = tab.locator("[data-control=pace]")
        await button.click()
        await expect(button).to_have_attribute("aria-busy", "true")
        await button.click()
        answering.set()
        await expect(tab.locator(".answer")).to_be_visible()
        await expect(button).to_have_attribute("aria-busy", "false")
        assert len(bench.face.operations) == 1


async def test_a_refusal_is_shown_in_words_and_what_was_typed_stays(
    browser: Browser, bench: Bench
) -> None:
    bench.face.refusal = refused(
        Refusal.TRIAL_IN_HAND, "a trial is running, switch off first"
    )
    async with operated(browser, bench, complaints_expected=True) as tab:
        await skip(tab)
        await expect(tab.locator("#sheet [role=alert]")).to_have_text(
            "A trial is running, switch off first."
        )
        await expect(tab.get_by_label("Reason")).to_have_value("lead is missing")
        await tab.keyboard.press("Escape")
        await press(tab, "Pause")
        await expect(tab.locator(".answer")).to_contain_text("A trial is running")


async def test_a_field_that_is_needed_is_asked_for_before_the_bench_is(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        await press(tab, "Change at the outlet")
        await press(tab, "Do this")
        await expect(tab.locator("#sheet")).to_contain_text("Choose first")
        await tab.get_by_role("radio", name="in place of this trial").check()
        await press(tab, "Do this")
        await expect(tab.locator("#sheet")).to_contain_text(
            "Write why the trial shall not count."
        )
        await expect(tab.get_by_label("Why it shall not count")).to_be_focused()
        assert bench.face.operations == []


async def test_a_line_that_got_another_trial_meanwhile_is_left_alone(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        await press(tab, "Change at the outlet")
        await tab.get_by_role("radio", name="in place of this trial").check()
        await tab.get_by_label("Why it shall not count").fill("too cold")
        newer = dataclasses.replace(SLIP[0], trial=13, note="measured again")
        bench.show(CALLING, slip=(newer, *SLIP[1:]))
        await expect(tab.locator("#slip .note").first).to_have_text("measured again")
        await press(tab, "Do this")
        await expect(tab.locator("#sheet")).to_contain_text("another trial meanwhile")
        assert bench.face.operations == []


async def test_an_open_sheet_repeats_what_the_bench_alarms_of(
    browser: Browser, bench: Bench
) -> None:
    async with operated(browser, bench) as tab:
        await press(tab, "Note…")
        bench.show(CALLING, alarms=(ALARM,))
        await expect(tab.locator("#sheet [role=alert]").first).to_have_text(ALARM.text)
        bench.show(CALLING)
        await expect(tab.locator("#sheet")).not_to_contain_text("at the plug")


async def test_tab_does_not_lead_out_of_an_open_sheet(
    browser: Browser, bench: Bench
) -> None:
    inside = "document.activeElement === document.body || document.activeElement.closest('#sheet') !== null"
    async with operated(browser, bench) as tab:
        await press(tab, "Note…")
        for _ in range(8):
            await tab.keyboard.press("Tab")
            assert await tab.evaluate(inside)


# ---- for everybody


async def open_note(tab: Tab) -> None:
    await press(tab, "Note…")


async def open_row(tab: Tab) -> None:
    await press(tab, "Change at the outlet")
    await tab.get_by_role("radio", name="Another condition was fitted").check()


async def open_role(tab: Tab) -> None:
    await press(tab, "Role: operator")


async def open_start(tab: Tab) -> None:
    await press(tab, "Start a session…")


async def every_view(tab: Tab, bench: Bench) -> AsyncIterator[str]:
    """The controls alone, with an answer, and every sheet, one after the other in one tab."""
    yield "controls"
    await pause(tab)
    await expect(tab.locator(".answer")).to_be_visible()
    yield "answer"
    for opening in (open_note, open_row, open_role):
        await opening(tab)
        yield opening.__name__
        await tab.keyboard.press("Escape")
        await expect(tab.locator("#sheet")).to_be_hidden()
    bench.show(IDLE)
    await open_start(tab)
    yield "start"


async def test_nothing_keeps_anybody_from_operating(
    browser: Browser, bench: Bench
) -> None:
    offer_an_old_session(bench)
    async with operated(browser, bench) as tab:
        async for view in every_view(tab, bench):
            for scheme in ("light", "dark"):
                await tab.emulate_media(color_scheme=scheme)
                assert (view, scheme, await violations(tab)) == (view, scheme, [])


async def test_on_a_phone_everything_is_as_large_as_a_thumb_and_nothing_sticks_out(
    browser: Browser, bench: Bench
) -> None:
    offer_an_old_session(bench)
    heights = """() => [...document.querySelectorAll("#hand button, #sheet button, .choice, .row-button, #paths [data-path]")]
      .filter(each => each.checkVisibility()).map(each => each.getBoundingClientRect().height)"""
    async with operated(browser, bench, PHONE) as tab:
        async for view in every_view(tab, bench):
            # Layout rounds to 1/64 of a pixel.
            assert (view, min(await tab.evaluate(heights)) >= 43.9) == (view, True)
            assert (view, await overhang_px(tab) <= 0) == (view, True)
