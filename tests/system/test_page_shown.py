"""What the live page shows of a bench: parts that change, the funnel, the comparison, three places it is looked at from."""

import contextlib
import dataclasses
import re
from collections.abc import AsyncIterator

import pytest
from playwright.async_api import Browser, Locator, expect
from playwright.async_api import Page as Tab

from daq.runtime.snapshot import (
    AlarmLine,
    ComparisonLine,
    DifferenceLine,
    InstrumentLine,
    SessionLine,
    SlipLine,
    Snapshot,
    StageLine,
)
from tests.system.live_page import (
    AVERAGING,
    DESK,
    IDLE,
    NEEDS_A_BROWSER,
    NOW_S,
    PHONE,
    POWER,
    SETTLED,
    TEMPERATURE,
    TRIAL,
    WAITING,
    WAITING_SLIP,
    WIDE,
    Bench,
    chromium,
    opened,
    overhang_px,
    violations,
)

pytestmark = NEEDS_A_BROWSER

MINUS = "\N{MINUS SIGN}"
LESS = DifferenceLine("2.5 mm², 25 m", "power", -34.0, 11.5, "W", 1, -2.4, "real", "2.5 mm², 25 m: 34 W less.")  # fmt: skip
COMPARISON = ComparisonLine(2, (LESS,), ("With the 2.5 mm² lead it takes 34 W less.",))
DONE_SLIP = (
    WAITING_SLIP[0],
    dataclasses.replace(SETTLED.slip[1], state="done", trial=2),
    WAITING_SLIP[2],
)
COMPARED = dataclasses.replace(WAITING, slip=DONE_SLIP, comparison=COMPARISON)
SETTLING = dataclasses.replace(
    AVERAGING,
    stage=StageLine("settling", NOW_S, None, 90.0, "about 1½ min more", "Settling."),
    instruction="Keep it running, about 1½ min more.",
    trial=dataclasses.replace(TRIAL, window_s=None),
    channels=(POWER, TEMPERATURE),
)
BOUNDS = (None, 60.0, 50.0, 40.0, 30.0, 25.0, 20.0, 16.0, 12.0, 9.0, 7.0, 6.0)
STAGES = (
    ("waiting", "waiting", "wait"),
    ("running-up", "running up", "rising"),
    ("settling", "settling", "funnel"),
    ("averaging", "averaging", "averaging"),
    ("done", "done", "done"),
    ("not-settled", "not settled", "abnormal"),
    ("limit", "stopped by a limit", "danger"),
    ("finished", "finished", "done"),
    ("paused", "paused", "paused"),
    ("idle", "idle", "idle"),
)


def funnel(bins: int) -> dict[str, object]:
    """The power's bound closes in from 60 W to 6 W around a mean that stands still; 14 W are allowed."""
    return {
        "power": {
            "tolerance": 14.0,
            "t": [NOW_S - 90.0 + 5.0 * n for n in range(bins)],
            "mean": [1385.0] * bins,
            "bound": BOUNDS[:bins],
        }
    }


@pytest.fixture
async def browser() -> AsyncIterator[Browser]:
    async with chromium() as browser:
        yield browser


@pytest.fixture
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    async with bench.serving():
        yield bench


def point(at_s: float, bound: float, mean: float = 1385.0) -> dict[str, object]:
    return {
        "channel": "power",
        "tolerance": 14.0,
        "at_s": at_s,
        "mean": mean,
        "bound": bound,
    }


def drawn(tab: Tab, line: str) -> Locator:
    return tab.locator(f".funnel .{line}")


async def outline(tab: Tab, line: str) -> str:
    return await drawn(tab, line).get_attribute("d") or ""


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
        await expect(reach).to_have_text("")
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


# ---- across the room


async def cap_heights(tab: Tab) -> list[float]:
    """Heights of the required channels' digits [px]."""
    script = """nodes => nodes.map(node => {
      const style = getComputedStyle(node);
      const pen = document.createElement("canvas").getContext("2d");
      pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
      return pen.measureText("0").actualBoundingBoxAscent;
    })"""
    heights: list[float] = await tab.locator("#digits .value").evaluate_all(script)
    return heights


@pytest.mark.parametrize(("channels", "least_px"), [(1, 140), (3, 140), (4, 90)])
async def test_the_far_view_is_read_from_five_metres(
    browser: Browser, bench: Bench, channels: int, least_px: int
) -> None:
    # A screen of 0.277 mm a pixel: distance / 200 is 90 px, distance / 130 is 140 px.
    required = tuple(
        dataclasses.replace(POWER, name=f"power_{n}", value=1385.0, decimals=1)
        for n in range(channels)
    )
    bench.snapshot = dataclasses.replace(WAITING, channels=required)
    async with opened(browser, bench, WIDE) as tab:
        await tab.keyboard.press("f")
        for hidden in ("#slip", "#channels", "#events"):
            await expect(tab.locator(hidden)).to_be_hidden()
        assert min(await cap_heights(tab)) >= least_px
        beyond = "document.documentElement.scrollHeight - window.innerHeight"
        assert await tab.evaluate(beyond) <= 0
        assert await overhang_px(tab) <= 0
        await tab.keyboard.press("Escape")
        await expect(tab.locator("#slip")).to_be_visible()


async def test_a_large_screen_needs_no_far_view_for_few_channels(
    browser: Browser, bench: Bench
) -> None:
    required = tuple(dataclasses.replace(POWER, name=f"power_{n}") for n in range(3))
    bench.snapshot = dataclasses.replace(WAITING, channels=required)
    async with opened(browser, bench, WIDE) as tab:
        assert min(await cap_heights(tab)) >= 90


async def test_the_far_view_hides_no_alarm(browser: Browser, bench: Bench) -> None:
    async with opened(browser, bench, DESK) as tab:
        await tab.get_by_role("button", name="Far view").click()
        bench.show(WAITING, alarms=(AlarmLine("Lead carries 14.2 A.", NOW_S),))
        await expect(tab.locator("#banners [role=alert]")).to_be_visible()
        await tab.get_by_role("button", name="Leave far view").click()
        await expect(tab.locator("#slip")).to_be_visible()


async def test_the_key_of_the_far_view_can_be_switched_off_for_good(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench, DESK) as tab:
        await tab.get_by_label("The key F").uncheck()
        await tab.reload()
        await expect(tab.locator("body")).to_have_attribute("data-link", "live")
        await tab.keyboard.press("f")
        button = tab.get_by_role("button", name="Far view")
        await expect(button).to_have_attribute("aria-pressed", "false")


# ---- it stays true


async def test_what_was_missed_without_a_connection_is_fetched(
    browser: Browser,
) -> None:
    bench = Bench()
    bench.snapshot = SETTLING
    bench.face.funnels = funnel(3)
    async with contextlib.AsyncExitStack() as tab_open:
        async with bench.serving():
            tab = await tab_open.enter_async_context(
                opened(browser, bench, complaints_expected=True)
            )
            reach = tab.locator(".reach")
            await expect(reach).to_contain_text("50\u00a0W still possible")
        await expect(tab.locator("body")).to_have_attribute("data-link", "lost")
        await expect(tab).to_have_title(re.compile("Connection lost"))
        bench.face.funnels = funnel(12)
        missed = {"t": [bench.now_s - 2.0, bench.now_s - 1.0], "v": [1100.0, 1385.0]}
        bench.face.recent = {"power": missed}
        bench.snapshot = dataclasses.replace(SETTLING, instruction="Still running.")
        async with bench.serving():
            await expect(tab.locator("h1")).to_have_text("Still running.")
            await expect(reach).to_contain_text("6\u00a0W still possible")
            await expect(tab.locator('[data-channel="power"]')).to_have_attribute(
                "aria-label", re.compile("between 1100 and 1385")
            )
            await tab_open.aclose()


async def test_nothing_is_drawn_while_nobody_sees_it(
    browser: Browser, bench: Bench
) -> None:
    async with opened(browser, bench) as tab:
        await tab.evaluate(
            """async () => {
              window.unseen = true;
              Object.defineProperty(document, "hidden", { configurable: true, get: () => unseen });
              // A frame that was asked for before still comes.
              for (let n = 0; n < 3; n++) await new Promise(done => requestAnimationFrame(done));
              window.drawn = 0;
              const changes = { subtree: true, childList: true, characterData: true, attributes: true };
              new MutationObserver(() => drawn++).observe(document.body, changes);
            }"""
        )
        bench.read(power=1391.0)
        bench.show(AVERAGING)
        await tab.evaluate(
            """async () => {
              const { bench } = await import("/bench.js");
              while (bench.snapshot.trial === null) await new Promise(done => setTimeout(done, 20));
            }"""
        )
        assert await tab.evaluate("drawn") == 0
        await tab.evaluate(
            "unseen = false; document.dispatchEvent(new Event('visibilitychange'))"
        )
        await expect(tab.locator("#digits .value")).to_have_text("1391")
        await expect(tab.locator("h1")).to_have_text(AVERAGING.instruction)


async def test_a_page_open_for_hours_does_not_grow(
    browser: Browser, bench: Bench
) -> None:
    bench.snapshot = SETTLING
    # Three hours at 10 Hz, and a funnel's bin a second.
    script = """async () => {
      const { bench, takeReading, traceOf } = await import("/bench.js");
      const { funnelOf, takeFunnelPoint } = await import("/funnels.js");
      const [channel] = bench.snapshot.channels;
      for (let n = 0; n < 108000; n++) {
        const at_s = 2000 + n / 10;
        takeReading({ at_s, values: { power: 1385 + (n % 7) } });
        if (n % 10 === 0) takeFunnelPoint({ channel: "power", tolerance: 14, at_s, mean: 1385, bound: 20 });
      }
      return [traceOf(channel).points()[0].length, funnelOf(channel).t.length];
    }"""
    async with opened(browser, bench) as tab:
        trace_points, funnel_points = await tab.evaluate(script)
        # A chart may hold 400 buckets of three, a funnel 600 points.
        assert 0 < trace_points <= 1200
        assert 0 < funnel_points <= 600
        nodes = "document.querySelectorAll('*').length"
        before = await tab.evaluate(nodes)
        for n in range(30):
            bench.show(SETTLING, instruction=f"Keep it running, {n} times.")
        await expect(tab.locator("h1")).to_have_text("Keep it running, 29 times.")
        assert await tab.evaluate(nodes) == before


# ---- everybody can read it


def views() -> dict[str, Snapshot]:
    lost = InstrumentLine("anemometer", "ports/air", "lost", "unplugged", 12, 1)
    silent = dataclasses.replace(TEMPERATURE, condition="silent")
    limit = dataclasses.replace(SETTLING.stage, name="limit")
    alarm = AlarmLine(
        "Lead carries 14.2 A, its limit is 13 A. Switch off at the plug.", NOW_S
    )
    return {
        "idle": IDLE,
        "waiting": WAITING,
        "settling": SETTLING,
        "averaging": AVERAGING,
        "done": SETTLED,
        "compared": COMPARED,
        "alarm": dataclasses.replace(
            SETTLING, stage=limit, urgency="danger", alarms=(alarm,)
        ),
        "meter lost": dataclasses.replace(
            WAITING, instruments=(lost,), channels=(POWER, silent)
        ),
        "finished": dataclasses.replace(
            COMPARED, session=SessionLine(1, "finished", 3, 3), urgency="normal"
        ),
    }


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK, WIDE], ids=["phone", "desk", "wide"])
async def test_no_view_keeps_anybody_from_reading_it(
    browser: Browser, bench: Bench, size: tuple[int, int], *, dark: bool
) -> None:
    bench.face.funnels = funnel(12)
    async with opened(browser, bench, size, dark=dark) as tab:
        for name, snapshot in views().items():
            bench.show(snapshot, instruction=f"Now: {name}.")
            await expect(tab.locator("h1")).to_have_text(f"Now: {name}.")
            assert (name, await violations(tab)) == (name, [])
            assert (name, max(0, await overhang_px(tab))) == (name, 0)
        await tab.keyboard.press("f")
        assert await violations(tab) == []
        bench.beats = False
        await expect(tab.locator("body")).to_have_attribute("data-link", "ended")
        assert await violations(tab) == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
async def test_a_page_without_a_connection_can_be_read(
    browser: Browser, bench: Bench, *, dark: bool
) -> None:
    bench.snapshot = SETTLING
    bench.face.funnels = funnel(12)
    async with opened(browser, bench, DESK, dark=dark) as tab:
        bench.beats = False
        await expect(tab.locator("body")).to_have_attribute("data-link", "lost")
        assert await violations(tab) == []
