"""The live page in a real browser: it shows what is pushed, and says so when nothing comes any more."""

import asyncio
import contextlib
import dataclasses
import re
from collections.abc import Awaitable, Callable

import pytest
from playwright.async_api import Browser, Locator, expect
from playwright.async_api import Page as Tab

from daq.runtime.snapshot import (
    AlarmLine,
    EventLine,
    InstrumentLine,
    PartLine,
    SessionLine,
)
from tests.system.live_page import (
    AVERAGING,
    NEEDS_A_BROWSER,
    NOW_S,
    PATIENCE_S,
    PHONE,
    POWER,
    SETTLED,
    TEMPERATURE,
    WAITING,
    WAITING_SLIP,
    WIDE,
    Bench,
    opened,
    overhang_px,
)

pytestmark = NEEDS_A_BROWSER


async def until(condition: Callable[[], Awaitable[bool]]) -> None:
    """Wait for a condition, or fail."""
    async with asyncio.timeout(PATIENCE_S):
        while not await condition():  # noqa: ASYNC110 - a browser sets no event of ours
            await asyncio.sleep(0.05)


def row(tab: Tab, position: int) -> Locator:
    return tab.locator(f"#slip-rows tr:nth-child({position})")


async def ink(tab: Tab, channel: str) -> int:
    """Pixels of a channel's chart that are not empty; -1 where there is none yet."""
    script = """name => {
      const canvas = document.querySelector(`[data-channel="${name}"] canvas`);
      if (canvas === null) return -1;
      const { width, height } = canvas;
      const { data } = canvas.getContext("2d").getImageData(0, 0, width, height);
      return data.filter((alpha, i) => i % 4 === 3 && alpha > 0).length;
    }"""
    return int(await tab.evaluate(script, channel))


# ---- what it shows


async def test_numbers_appear_and_move_with_each_reading(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        digits, rest = tab.locator("#digits"), tab.locator("#channels")
        await expect(digits.locator(".figure")).to_have_text("1385W")
        await expect(digits.locator(".aside")).to_have_text("it still drifts")
        await expect(rest).to_contain_text("42.0°C")
        for power in (1391.6, 904.0, -3.0):
            bench.read(power=power)
            # Typographic minus, as the page sets it.
            shown = f"{power:.0f}".replace("-", "\N{MINUS SIGN}")
            await expect(digits.locator(".value")).to_have_text(shown)
            await expect(rest.locator(".value").first).to_have_text(shown)


async def test_digits_stay_where_they_are_when_a_figure_gets_shorter(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        unit, value = tab.locator("#digits .unit"), tab.locator("#digits .value")
        before = await unit.bounding_box()
        bench.read(power=7.0)
        await expect(value).to_have_text("7")
        # Layout rounds to 1/64 of a pixel.
        assert await unit.bounding_box() == pytest.approx(before, abs=0.1)


async def test_a_value_that_is_not_renewed_looks_old(
    browser: Browser, bench: Bench
) -> None:
    # A reading a second counts as old after 2.5 s; the air's was taken 10 s ago.
    late = dataclasses.replace(TEMPERATURE, at_s=NOW_S - 10.0)
    bench.snapshot = dataclasses.replace(WAITING, channels=(POWER, late))
    async with opened(browser, bench) as tab:
        aired = tab.locator(".channel", has_text="Air temperature")
        await expect(aired).to_have_class("channel is-old")
        await expect(aired.locator(".aside b")).to_contain_text("old, read 1")
        await expect(aired.locator(".value")).to_have_css(
            "text-decoration-line", "line-through"
        )


async def test_the_chart_is_drawn_and_goes_on(browser: Browser, bench: Bench) -> None:
    times = [NOW_S - 300.0 + n for n in range(300)]
    bench.face.recent = {
        "power": {"t": times, "v": [1385.0 + n % 7 for n in range(300)]}
    }
    bench.snapshot = AVERAGING
    async with opened(browser, bench) as tab:
        chart = tab.locator('[data-channel="power"]')
        await chart.scroll_into_view_if_needed()

        async def is_drawn() -> bool:
            # The line alone, 300 s of 600 s wide, covers more pixels than that.
            return await ink(tab, "power") > 1000

        await until(is_drawn)
        await expect(chart).to_have_attribute(
            "aria-label",
            "Chart: Power, machine end, the last ten minutes, between 1385 and 1391\u00a0W; "
            "mean 1383.2\u00a0W, scatter ±\u00a01.1\u00a0W.",
        )
        bench.read(power=1450.0)
        await expect(chart).to_have_attribute(
            "aria-label", re.compile("between 1385 and 1450")
        )


async def test_instruction_and_stage_follow_the_state(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        shape = tab.locator("#urgency use")
        await expect(shape).to_have_attribute("href", "#shape-action")
        bench.show(AVERAGING)
        await expect(tab.locator("#instruction")).to_have_text(AVERAGING.instruction)
        await expect(tab.locator("#stage")).to_have_text(AVERAGING.stage.sentence)
        await expect(tab.locator("#urgency-word")).to_have_text("Wait")
        await expect(shape).to_have_attribute("href", "#shape-wait")
        await expect(tab.locator("#left")).to_have_text("about 35 s more")
        await expect(tab.locator("#bar")).to_have_attribute("aria-valuenow", "50")
        await expect(tab).to_have_title(
            f"{AVERAGING.instruction} \N{EN DASH} steadybench"
        )
        bench.show(WAITING, clock=dataclasses.replace(WAITING.clock, speed=12.0))
        await expect(tab.locator("#demonstration")).to_have_text(
            "Demonstration: time runs 12 times as fast as life."
        )


async def test_the_slip_fills_and_what_is_unknown_stays_blank(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        await expect(row(tab, 1).locator(".number").first).to_have_text("1417 ± 10")
        await expect(row(tab, 2).locator(".number").first).to_have_text("")
        await expect(row(tab, 2).locator(".state > span")).to_have_text("to come")
        bench.show(AVERAGING)
        # The channel's uncertainty leaves out the meter's accuracy: not for the slip.
        await expect(row(tab, 2).locator(".number").first).to_have_text("1383.2")
        await expect(row(tab, 2).locator(".state > span")).to_have_text(
            "averaging, provisional"
        )
        bench.show(SETTLED)
        await expect(row(tab, 2).locator(".number").first).to_have_text("1383.2 ± 8.1")
        await expect(row(tab, 2)).to_contain_text("settled, still running")
        await expect(row(tab, 3).locator(".number").first).to_have_text("")


async def test_text_from_the_bench_is_never_taken_for_markup(
    browser: Browser, bench: Bench
) -> None:
    sly = "<img src=x onerror=breaches.push(1)>"
    line = dataclasses.replace(WAITING_SLIP[1], condition=sly, note=sly)
    bench.snapshot = dataclasses.replace(
        WAITING,
        machine=sly,
        slip=(line,),
        alarms=(AlarmLine(sly, NOW_S),),
        events=(EventLine("2026-01-05T10:12:01.100Z", NOW_S, sly),),
    )
    async with opened(browser, bench) as tab:
        await expect(tab.get_by_text(sly)).to_have_count(5)
        await expect(tab.locator("img")).to_have_count(0)


# ---- what must not be overlooked


async def test_a_lost_meter_and_an_alarm_raise_banners(
    browser: Browser, bench: Bench
) -> None:
    lost = InstrumentLine("anemometer", "ports/air", "lost", "unplugged", 12, 1)
    failing = PartLine("failing", "bench.db: cannot be written any more.")
    async with opened(browser, bench) as tab:
        banners = tab.locator("#banners [role=alert]")
        await expect(banners).to_have_count(0)
        bench.show(WAITING, instruments=(WAITING.instruments[0], lost))
        await expect(banners).to_have_text(["Meter anemometer is lost: unplugged."])
        # The store's trouble is in the alarms already: once is enough.
        alarm = AlarmLine(failing.text, NOW_S)
        bench.show(WAITING, store=failing, alarms=(alarm,))
        await expect(banners).to_have_text([failing.text])
        bench.show(WAITING)
        await expect(banners).to_have_count(0)


async def test_a_lost_connection_is_told_and_mended_without_loading_again(
    browser: Browser,
) -> None:
    bench = Bench()
    async with contextlib.AsyncExitStack() as tab_open:
        async with bench.serving():
            # Refused connections reach the console, whatever a page does.
            tab = await tab_open.enter_async_context(
                opened(browser, bench, complaints_expected=True)
            )
            await tab.evaluate("window.isTheSame = true")
            heading, value = tab.locator("h1"), tab.locator("#digits .value")
            await expect(heading).to_have_css("opacity", "1")
        banner = tab.locator("#banners [role=alert]")
        await expect(banner).to_have_text(re.compile(r"lost since \d+\ss: what you see is old\. If the machine runs, nobody may be watching its limits: switch off at the plug\."))  # fmt: skip
        await expect(tab.locator("body")).to_have_attribute("data-link", "lost")
        await expect(heading).to_have_css("opacity", "0.86")

        bench.snapshot = AVERAGING
        bench.face.recent = {"power": {"t": [bench.now_s - 1.0], "v": [1200.0]}}
        async with bench.serving():
            await expect(heading).to_have_text(AVERAGING.instruction)
            await expect(banner).to_have_count(0)
            await expect(heading).to_have_css("opacity", "1")
            bench.read(power=1377.0)
            await expect(value).to_have_text("1377")
            # What was missed meanwhile has been fetched.
            await expect(tab.locator('[data-channel="power"]')).to_have_attribute(
                "aria-label", re.compile("between 1200 and 1377")
            )
            assert await tab.evaluate("window.isTheSame")
            await tab_open.aclose()


async def test_a_finished_bench_that_signs_off_raises_no_alarm(
    browser: Browser,
) -> None:
    bench = Bench()
    bench.snapshot = dataclasses.replace(
        WAITING,
        session=SessionLine(1, "finished", 3, 3),
        ends_with_session=True,
    )
    async with contextlib.AsyncExitStack() as tab_open:
        async with bench.serving():
            tab = await tab_open.enter_async_context(
                opened(browser, bench, complaints_expected=True)
            )
        await expect(tab.locator("#banners")).to_have_text(
            "The session is finished and the bench has signed off: this is its slip."
        )
        await expect(tab.locator("body")).to_have_attribute("data-link", "ended")
        await expect(tab.locator("h1")).to_have_css("opacity", "1")


async def test_a_lasting_service_that_is_lost_after_a_session_cannot_be_overlooked(
    browser: Browser, bench: Bench
) -> None:
    bench.snapshot = dataclasses.replace(WAITING, session=SessionLine(1, "finished", 3, 3))  # fmt: skip
    async with opened(browser, bench) as tab:
        bench.beats = False
        await expect(tab.locator("#banners [role=alert]")).to_contain_text(
            "Connection to the bench lost since"
        )
        await expect(tab.locator("body")).to_have_attribute("data-link", "lost")


async def test_a_connection_that_merely_falls_silent_is_lost_too(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        bench.beats = False
        banner = tab.locator("#banners [role=alert]")
        await expect(banner).to_contain_text("Connection to the bench lost since")
        bench.beats = True
        await expect(banner).to_have_count(0)
        assert bench.viewers == 1


# ---- where it is looked at


async def test_nothing_is_wider_than_a_telephone(
    browser: Browser, bench: Bench
) -> None:
    # A word without a break is the hardest: a path, as in a port or the store's trouble.
    path = "/" + "a_folder_with_a_long_name_" * 3 + "/port"
    meter = dataclasses.replace(WAITING.instruments[0], port=path)
    trouble = PartLine("failing", f"{path}: cannot be written any more.")
    async with opened(browser, bench, PHONE) as tab:
        for snapshot in (WAITING, AVERAGING, SETTLED):
            bench.show(snapshot, instruments=(meter,))
            await expect(tab.locator("#instruction")).to_have_text(snapshot.instruction)
            assert await overhang_px(tab) <= 0
        alarm = AlarmLine("Lead carries 14.2 A, its limit is 13 A. Switch off at the plug.", NOW_S)  # fmt: skip
        bench.show(SETTLED, alarms=(alarm,), store=trouble)
        await expect(tab.locator("#banners")).to_contain_text("14.2")
        await expect(tab.locator("#banners")).to_contain_text(path)
        assert await overhang_px(tab) <= 0


async def test_a_large_screen_shows_instruction_digits_and_slip_at_once(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        for snapshot in (WAITING, AVERAGING, SETTLED):
            bench.show(snapshot)
            await expect(tab.locator("#instruction")).to_have_text(snapshot.instruction)
            box = await tab.locator("#slip").bounding_box()
            assert box is not None
            assert box["y"] + box["height"] <= WIDE[1]
            size = await tab.locator("h1").evaluate(
                "node => parseFloat(getComputedStyle(node).fontSize)"
            )
            # 25 mm at 5 m is the least (distance / 200): 90 px of 0.277 mm.
            assert size >= 90
            assert await overhang_px(tab) <= 0
