"""The page forgets a typed reading that was taken back: as the current value, and in the chart."""

import dataclasses
from collections.abc import AsyncIterator

import pytest_asyncio
from playwright.async_api import Browser, expect

from daq.runtime.snapshot import Snapshot
from daq.typed import TakenBack
from tests.system.live_page import (
    AVERAGING,
    NEEDS_A_BROWSER,
    Bench,
    opened,
)

pytestmark = NEEDS_A_BROWSER


def standing_at(value: float, at_s: float) -> Snapshot:
    """The snapshot with a typed channel that has this value."""
    first, *others = AVERAGING.channels
    typed = dataclasses.replace(first, typed=True, value=value, at_s=at_s)
    return dataclasses.replace(AVERAGING, channels=(typed, *others))


@pytest_asyncio.fixture(loop_scope="module")
async def bench() -> AsyncIterator[Bench]:
    bench = Bench()
    async with bench.serving():
        yield bench


CHARTED = """async name => {
  const { bench, traceOf } = await import("/bench.js");
  const channel = bench.snapshot.channels.find(each => each.name === name);
  return [channel.value, traceOf(channel).points()[1].filter(value => value !== null)];
}"""


async def test_a_reading_taken_back_leaves_chart_and_current_value(
    browser: Browser, bench: Bench
) -> None:
    name = AVERAGING.channels[0].name
    async with opened(browser, bench) as tab:
        await expect(tab.locator("#instruction")).to_be_visible()
        first_s = bench.now_s
        before = standing_at(12.25, first_s)
        bench.show(before)
        bench.read(**{name: 12.25})
        await tab.wait_for_function(
            f"async () => (await ({CHARTED})('{name}'))[0] === 12.25"
        )
        wrong_s = bench.now_s
        bench.read(**{name: 987.5})
        await tab.wait_for_function(
            f"async () => (await ({CHARTED})('{name}'))[0] === 987.5"
        )
        _, charted = await tab.evaluate(CHARTED, name)
        assert 987.5 in charted
        told_s = await tab.evaluate(
            f"async () => {{ const {{ bench }} = await import('/bench.js');"
            f" return bench.snapshot.channels.find(c => c.name === '{name}').at_s; }}"
        )
        assert abs(told_s - wrong_s) < 5.0
        bench.show(
            AVERAGING,
            channels=before.channels,
            taken_back=(TakenBack(name, told_s + 0.0004),),
        )
        await tab.wait_for_function(
            f"async () => (await ({CHARTED})('{name}'))[0] === 12.25"
        )
        _, charted = await tab.evaluate(CHARTED, name)
        assert 987.5 not in charted
        assert 12.25 in charted
