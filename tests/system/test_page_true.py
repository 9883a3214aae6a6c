"""The page stays true: nothing is missed, nothing drawn for nobody, nothing grows."""

import contextlib
import dataclasses
import re

from playwright.async_api import Browser, expect

from tests.system.live_page import (
    AVERAGING,
    NEEDS_A_BROWSER,
    Bench,
    opened,
)
from tests.system.shown_moments import (
    SETTLING,
    funnel,
)

pytestmark = NEEDS_A_BROWSER


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
