"""The shared page from another address: readers read, and operating takes encryption."""

from pathlib import Path

import pytest
from playwright.async_api import Page as Tab
from playwright.async_api import expect

from tests.runtime.pages import NETWORK, make_certificate
from tests.system.live_page import NEEDS_A_BROWSER, chromium, violations
from tests.system.page_session import (
    BASELINE,
    Service,
    calls_for,
    is_at,
    press,
    says,
    served,
    start,
    viewer,
)

pytestmark = [*NEEDS_A_BROWSER, pytest.mark.pty, pytest.mark.timeout(200)]

FREE_PORT = "share_port = 0"


async def posted(tab: Tab, path: str, body: str) -> int:
    """What the page itself gets when it asks for a change; its status."""
    script = """async ([path, body]) => {
      const headers = { "content-type": "application/json" };
      return (await fetch(path, { method: "POST", body, headers })).status;
    }"""
    status: int = await tab.evaluate(script, [path, body])
    return status


async def test_over_plain_http_the_network_reads_and_changes_nothing(
    tmp_path: Path,
) -> None:
    service = Service(tmp_path, BASELINE, page=FREE_PORT)
    with served(service, "--share", NETWORK):
        link = service.link("To follow")
        operators = service.link("To operate")
        assert link.startswith(f"http://{NETWORK}:")
        assert operators.startswith("http://127.0.0.1:")
        async with chromium() as browser, viewer(browser) as who:
            stranger = await who.open(link.partition("#")[0])
            await expect(stranger.locator("#hand")).to_contain_text("may not look at the bench yet")  # fmt: skip
            await expect(stranger.locator("#channels article")).to_have_count(0)
            assert await violations(stranger) == []
            await stranger.close()

            reader = await who.open(link)
            await is_at(reader, "idle")
            await expect(reader.locator("#channels article")).to_have_count(6)
            await expect(reader.locator("[data-path=role]")).to_have_text("Role: reader")  # fmt: skip
            await expect(reader.locator("#hand button:visible, .row-button:visible")).to_have_count(0)  # fmt: skip
            # On the page itself, and not only for whoever asks for his role.
            await expect(reader.locator("footer")).to_contain_text("anyone on this network can see this page")  # fmt: skip
            assert await violations(reader) == []
            await press(reader, "Role: reader")
            await expect(reader.locator("#sheet")).to_contain_text("can see")
            await press(reader, "Close")
            assert await posted(reader, "/api/session/note", '{"text": "no"}') == 403
            assert await posted(reader, "/api/session/start", '{"plan": "outlets"}') == 403  # fmt: skip
            # The operator's key is not taken where others could read it on its way.
            token = operators.partition("#operate=")[2]
            assert await posted(reader, "/api/access", f'{{"token": "{token}"}}') == 403
        state = service.bench.state()
        assert state["session"] is None
        assert "Note" not in str(state["events"])


async def test_over_tls_the_network_operates_and_a_reader_follows(
    tmp_path: Path,
) -> None:
    make_certificate(tmp_path)
    table = f'{FREE_PORT}\ncertificate = "certificate.pem"\nkey = "key.pem"'
    service = Service(tmp_path, BASELINE, page=table)
    with served(service, "--share", NETWORK):
        operators, readers = service.link("To operate"), service.link("To follow")
        assert operators.startswith(f"https://{NETWORK}:")
        async with (
            chromium() as browser,
            viewer(browser, trusting=True) as one,
            viewer(browser, trusting=True) as other,
        ):
            reader = await other.open(readers)
            await is_at(reader, "idle")
            tab = await one.open(operators)
            await start(tab)
            await calls_for(tab, BASELINE)
            await calls_for(reader, BASELINE)
            await expect(tab.locator("#notice")).to_be_hidden()
            await press(tab, "Note…")
            await tab.get_by_label("What is worth keeping").fill("from next door")
            await press(tab, "Keep the note")
            await says(tab, "Noted.")
            await expect(reader.locator("#events")).to_contain_text("from next door")
            assert await posted(reader, "/api/session/note", '{"text": "no"}') == 401
            assert one.watch.complaints == []
