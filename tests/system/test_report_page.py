"""The report in a real browser: it complains of nothing, asks for nothing, fits a telephone, and prints."""

from pathlib import Path

import pytest
from playwright.async_api import Browser

from tests.runtime.compared_sessions import store_session
from tests.system.command_line import Daq
from tests.system.live_page import (
    NEEDS_A_BROWSER,
    PHONE,
    WIDE,
    Watch,
    overhang_px,
)

pytestmark = NEEDS_A_BROWSER


@pytest.fixture
def report(run: Daq, tmp_path: Path) -> Path:
    page = tmp_path / "report.html"
    assert run("report", store_session(tmp_path / "bench.db"), "-o", page).code == 0
    return page


@pytest.mark.parametrize("size", [PHONE, WIDE])
async def test_it_opens_without_a_complaint_and_asks_for_nothing(
    browser: Browser, report: Path, size: tuple[int, int]
) -> None:
    width, height = size
    context = await browser.new_context(viewport={"width": width, "height": height})
    watch = Watch(context)
    await context.add_init_script(
        "window.breaches = [];"
        "addEventListener('securitypolicyviolation', e => breaches.push(e.violatedDirective));"
    )
    tab = await context.new_page()
    await tab.goto(report.as_uri())
    assert "real" in await tab.locator("h1").inner_text()
    assert await tab.locator("svg").count() > 3
    assert await overhang_px(tab) <= 0
    assert await tab.evaluate("breaches") == []
    await context.close()
    others = [u for u in watch.urls if not u.startswith((report.as_uri(), "data:"))]
    assert (watch.complaints, others) == ([], [])


async def test_it_prints_on_paper(browser: Browser, report: Path) -> None:
    tab = await browser.new_page()
    await tab.goto(report.as_uri())
    printed = await tab.pdf(format="A4")
    assert printed.startswith(b"%PDF-")
    # Nothing is cut off at the side of the sheet: A4 less two margins of 14 mm, at 96 px an inch.
    await tab.emulate_media(media="print")
    await tab.set_viewport_size({"width": round((210 - 28) / 25.4 * 96), "height": 900})
    assert await overhang_px(tab) <= 0
    await tab.close()
