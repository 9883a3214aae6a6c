"""What the live page shows of a bench: parts that change, the funnel, the comparison."""

import dataclasses
import re

import pytest
from playwright.async_api import Browser, expect

from daq.runtime.snapshot import (
    AverageLine,
    ComparisonLine,
    SessionLine,
    SlipLine,
    StageLine,
)
from tests.system.live_page import (
    AVERAGING,
    DESK,
    IDLE,
    NEEDS_A_BROWSER,
    NOW_S,
    POWER,
    TEMPERATURE,
    TRIAL,
    WAITING,
    WAITING_SLIP,
    Bench,
    opened,
    overhang_px,
)
from tests.system.shown_moments import (
    COMPARED,
    COMPARISON,
    LESS,
    MINUS,
    SETTLING,
    STAGES,
    drawn,
    funnel,
    outline,
    point,
)

pytestmark = NEEDS_A_BROWSER


# ---- parts that change


async def test_parts_that_come_alone_change_nothing_else(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        bench.read(power=1391.0)
        await expect(tab.locator("#digits .value")).to_have_text("1391")
        clock = {"now_s": bench.now_s, "utc": "2026-01-05T10:13:00.000Z", "speed": 1.0}
        bench.push(
            "state", {"clock": clock, "instruction": "Switch off.", "urgency": "action"}
        )
        await expect(tab.locator("h1")).to_have_text("Switch off.")
        await expect(tab.locator("#digits .value")).to_have_text("1391")
        await expect(tab.locator("#slip-rows tr")).to_have_count(3)
        await expect(tab.locator("#events li")).to_have_count(1)


async def test_channels_told_of_again_do_not_bring_an_older_value_back(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        bench.read(power=1391.0)
        await expect(tab.locator("#digits .value")).to_have_text("1391")
        held = dataclasses.replace(POWER, holding_back="it scatters too much")
        bench.show(WAITING, channels=(held, TEMPERATURE))
        await expect(tab.locator("#digits .aside")).to_have_text("it scatters too much")
        await expect(tab.locator("#digits .value")).to_have_text("1391")


async def test_an_idle_bench_shows_every_channel_live_and_no_slip(
    browser: Browser, bench: Bench
) -> None:
    bench.snapshot = IDLE
    async with opened(browser, bench) as tab:
        await expect(tab.locator("#urgency-word")).to_have_text("Idle")
        await expect(tab.locator("#session")).to_have_text("no session")
        await expect(tab.locator("#slip")).to_be_hidden()
        await expect(tab.locator("#required")).to_be_hidden()
        bench.read(power=1234.0)
        await expect(tab.locator("#channels .value").first).to_have_text("1234")
        bench.show(WAITING)
        await expect(tab.locator("#slip")).to_be_visible()
        await expect(tab.locator("#digits .value")).to_have_text("1234")
        bench.show(IDLE)
        await expect(tab.locator("#slip")).to_be_hidden()


async def test_each_stage_has_a_word_and_a_shape(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        current = tab.locator("#stages [aria-current=step]")
        for name, word, shape in STAGES:
            stage = dataclasses.replace(AVERAGING.stage, name=name)
            bench.show(AVERAGING, stage=stage)
            await expect(current).to_have_text(word)
            await expect(current.locator("use")).to_have_attribute(
                "href", f"#shape-{shape}"
            )


async def test_a_pause_is_told_by_word_and_shape(
    browser: Browser, bench: Bench
) -> None:
    bench.snapshot = dataclasses.replace(
        WAITING,
        session=SessionLine(1, "paused", 1, 3, 1),
        stage=StageLine(
            "paused", NOW_S, None, None, "", "No switch-on begins a trial."
        ),
    )
    async with opened(browser, bench) as tab:
        await expect(tab.locator("#urgency-word")).to_have_text("Paused")
        await expect(tab.locator("#urgency use")).to_have_attribute("href", "#shape-paused")  # fmt: skip
        await expect(tab.locator("#session")).to_contain_text("paused, 1 of 3 trials done, 1 skipped")  # fmt: skip


async def test_lines_are_counted_by_their_place_and_known_by_their_position(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        await tab.locator("#slip-rows tr").nth(1).evaluate("row => row.same = true")
        skipped = dataclasses.replace(WAITING_SLIP[1], state="skipped")
        aside = dataclasses.replace(WAITING_SLIP[0], state="set aside", note="set aside: hose loose", trial=1)  # fmt: skip
        added = SlipLine(4, "at the outlet", 2, baseline=True, state="to come", averages={}, note=None)  # fmt: skip
        bench.show(WAITING, slip=(aside, added, skipped, WAITING_SLIP[2]))
        rows = tab.locator("#slip-rows tr")
        await expect(rows.locator(".position")).to_have_text(["1", "2", "3", "4"])
        assert await rows.nth(2).evaluate("row => row.same") is True
        for row, word, shape in ((0, "set aside", "set-aside"), (2, "skipped", "skipped")):  # fmt: skip
            state = rows.nth(row).locator(".state")
            await expect(state).to_contain_text(word)
            await expect(state.locator("use")).to_have_attribute("href", f"#shape-{shape}")  # fmt: skip
        await expect(rows.nth(0).locator(".note")).to_have_text("set aside: hose loose")


# ---- the funnel


async def test_the_funnel_closes_in_and_says_in_words_how_far_it_is(
    browser: Browser, bench: Bench
) -> None:
    bench.snapshot = SETTLING
    bench.face.funnels = funnel(7)
    async with opened(browser, bench, DESK) as tab:
        reach = tab.locator(".reach")
        words = "Drift of ±\u00a020\u00a0W still possible, ±\u00a014\u00a0W allowed"
        await expect(reach).to_have_text(words)
        await expect(tab.locator(".funnel")).to_have_attribute(
            "aria-label",
            f"Funnel: Power, machine end: running mean 1385.0\u00a0W; {words}; it still drifts.",
        )
        await expect(drawn(tab, "bound")).to_have_attribute("d", re.compile("L"))
        assert (await outline(tab, "allowed")).count("M") == 2
        assert await outline(tab, "filled") == ""
        before = await outline(tab, "bound")
        # A bin that closes inside the lines: from there on it is filled.
        bench.push("funnel", point(NOW_S - 50.0, bound=10.0))
        bench.push("funnel", point(NOW_S - 45.0, bound=6.0))
        await expect(reach).to_contain_text("6\u00a0W still possible")
        assert await outline(tab, "bound") != before
        assert await outline(tab, "filled") != ""


async def test_the_funnel_is_not_drawn_anew_between_two_bins(
    browser: Browser, bench: Bench
) -> None:
    bench.snapshot = SETTLING
    bench.face.funnels = funnel(12)
    async with opened(browser, bench, DESK) as tab:
        await expect(drawn(tab, "bound")).to_have_attribute("d", re.compile("L"))
        await tab.evaluate(
            "window.drawn = 0; new MutationObserver(() => drawn++)"
            ".observe(document.querySelector('.funnel svg'), { attributes: true, subtree: true })"
        )
        for power in (1386, 1387, 1388):
            bench.read(power=float(power))
            bench.show(SETTLING, instruction=f"Keep it running at {power}.")
            await expect(tab.locator("h1")).to_have_text(f"Keep it running at {power}.")
        assert await tab.evaluate("drawn") == 0
        bench.push("funnel", point(NOW_S - 20.0, bound=5.0))
        await expect(tab.locator(".reach")).to_contain_text("5\u00a0W still possible")
        assert await tab.evaluate("drawn") > 0


async def test_a_new_trial_begins_with_an_empty_funnel(
    browser: Browser, bench: Bench
) -> None:
    bench.snapshot = SETTLING
    bench.face.funnels = funnel(12)
    async with opened(browser, bench, DESK) as tab:
        reach = tab.locator(".reach")
        await expect(reach).to_contain_text("6\u00a0W still possible")
        bench.show(WAITING)
        # Between two trials there is nothing to draw, and the slip takes its place.
        await expect(reach).to_be_hidden()
        await expect(tab.locator("#funnel-key")).to_be_hidden()
        later = dataclasses.replace(TRIAL, started_s=NOW_S + 60.0, window_s=None)
        bench.show(SETTLING, trial=later, instruction="Keep it running.")
        await expect(tab.locator("h1")).to_have_text("Keep it running.")
        await expect(tab.locator(".funnel")).to_have_attribute(
            "aria-label", "Funnel: Power, machine end: nothing yet."
        )
        bench.push("funnel", point(NOW_S + 80.0, bound=40.0))
        await expect(reach).to_contain_text("40\u00a0W still possible")


# ---- the comparison


@pytest.mark.parametrize(
    ("verdict", "shape"),
    [("real", "real"), ("none found", "none-found"), ("undecided", "undecided")],
)
async def test_each_verdict_has_a_word_and_a_shape(
    browser: Browser, bench: Bench, verdict: str, shape: str
) -> None:
    found = dataclasses.replace(LESS, verdict=verdict)
    comparison = dataclasses.replace(COMPARISON, differences=(found,))
    bench.snapshot = dataclasses.replace(COMPARED, comparison=comparison)
    async with opened(browser, bench) as tab:
        cell = tab.locator("#slip-rows tr:nth-child(2) td.number").first
        shown = cell.locator(".difference")
        await expect(shown).to_have_text(
            f"{MINUS}34.0\u00a0±\u00a011.5\u00a0W, {MINUS}2.40\u00a0% {verdict}"
        )
        use = shown.locator("use")
        await expect(use).to_have_attribute("href", f"#shape-{shape}")


async def test_the_comparison_grows_and_is_blank_before(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        answer, title = tab.locator("#answer"), tab.locator("#answer-title")
        await expect(answer).to_be_hidden()
        await expect(tab.locator(".difference:visible")).to_have_count(0)
        bench.show(COMPARED)
        await expect(title).to_have_text("The answer so far, after 2 trials")
        await expect(answer.locator("li")).to_have_text(list(COMPARISON.answer))
        await expect(tab.locator(".difference:visible")).to_have_count(1)
        # Derived from channels, it has no column of its own.
        words = "No difference in efficiency."
        derived = dataclasses.replace(
            LESS, channel="efficiency", verdict="none found", words=words
        )
        grown = ComparisonLine(4, (LESS, derived), COMPARISON.answer)
        bench.show(COMPARED, comparison=grown)
        await expect(title).to_have_text("The answer so far, after 4 trials")
        await expect(answer.locator("li").last).to_have_text(f"{words} none found")


# ---- room


@pytest.mark.parametrize("width", [390, 760, 1100, 1400])
@pytest.mark.parametrize("required", [2, 4, 6])
async def test_the_slip_is_never_wider_than_its_page(
    browser: Browser, bench: Bench, width: int, required: int
) -> None:
    names = [f"channel_{n}" for n in range(7)]
    average = AverageLine(1234.56, 12.34, "W", 2)
    done = dataclasses.replace(
        WAITING_SLIP[0], averages=dict.fromkeys(names, average), trial=11
    )
    bench.snapshot = dataclasses.replace(
        WAITING,
        channels=tuple(
            dataclasses.replace(
                POWER, name=name, title="Outlet velocity", required=n < required
            )
            for n, name in enumerate(names)
        ),
        slip=(done, *WAITING_SLIP[1:]),
    )
    async with opened(browser, bench, (width, 800)) as tab:
        await expect(tab.locator("#slip-rows tr").first).to_contain_text("1234.56")
        assert await overhang_px(tab) <= 0
        slip = await tab.locator("#slip").bounding_box()
        record = await tab.locator("#record").bounding_box()
        assert slip is not None
        assert record is not None
        assert slip["width"] <= record["width"] + 0.1
        # What a trial waits for is always there.
        shown = tab.locator("#slip-rows tr").first.locator(".number:not(.further)")
        for index in range(required):
            await expect(shown.nth(index)).to_be_visible()


async def test_an_uncertainty_stands_right_behind_its_sign(
    browser: Browser, bench: Bench
) -> None:
    wide = AverageLine(5.4321, 0.01234, "W", 5)
    narrow = AverageLine(5.57, 0.02, "W", 2)
    first, second, third = WAITING_SLIP
    slip = (
        dataclasses.replace(first, averages={"power": wide}),
        dataclasses.replace(second, state="done", averages={"power": narrow}),
        third,
    )
    bench.snapshot = dataclasses.replace(WAITING, slip=slip)
    gap = """row => {
      const [, sign, spread] = row.querySelector(".average").children;
      const text = document.createRange();
      text.selectNodeContents(spread);
      return text.getBoundingClientRect().left - sign.getBoundingClientRect().right;
    }"""
    async with opened(browser, bench) as tab:
        for index in range(2):
            row = tab.locator("#slip-rows tr").nth(index)
            assert await row.evaluate(gap) == pytest.approx(0.0, abs=0.5)


async def test_a_figure_that_stays_short_moves_up_to_where_its_title_begins(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        bench.read(power=1391.0)
        figure = tab.locator("#channels .value").first
        await expect(figure).to_have_text("1391")
        bench.read(power=0.0)
        await expect(figure).to_have_text("0")
        await expect(figure).to_have_attribute("data-kept", "1")


async def test_a_chart_without_a_connection_does_not_say_that_it_ends_now(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        chart = tab.locator("#channels .chart").first
        await expect(chart).to_have_attribute("aria-label", re.compile("last ten min"))
        bench.beats = False
        await expect(chart).to_have_attribute(
            "aria-label", re.compile("the ten minutes before the bench was last heard")
        )
