"""Whom the page lets in: not those who call it by another name, come from elsewhere, or send too much or too slowly."""

import json
from pathlib import Path

import pytest

from daq.operations import Note
from daq.runtime.web import Page, Share
from tests.runtime.pages import (
    NETWORK,
    Bench,
    client_of,
    connected,
    connected_raw,
    drain,
    enter,
    is_cut,
    rest_of,
    running,
    serving,
)
from tests.runtime.waiting import until

SHOWN = "Drying blower"


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def page(bench: Bench) -> Page:
    return bench.page()


# ---- names


async def test_a_request_for_an_unknown_host_learns_nothing(page: Page) -> None:
    port = page.port
    wrong = [
        "bench.example", f"bench.example:{port}", "127.0.0.1", "localhost:1", "", f"{NETWORK}:{port}",
        f"localhost:{port}.example", f"user@localhost:{port}", f"localhost:{port}, bench.example",
    ]  # fmt: skip
    async with serving(page) as client:
        for host in wrong:
            for path in ("/", "/api/state", "/api/live", "/api/openapi.json"):
                reply = await client.get(path, headers={"host": host})
                # RFC 9110, 15.5.20: misdirected request.
                assert reply.status_code == 421
                assert SHOWN not in reply.text
        for host in (f"localhost:{port}", f"LocalHost:{port}"):
            named = await client.get("/api/state", headers={"host": host})
            assert SHOWN in named.text


async def test_a_network_listener_answers_to_its_own_name_only(bench: Bench) -> None:
    page = bench.page(share=Share(NETWORK, 0))
    async with running(page), client_of(page.reader_link) as client:
        own = await client.get("/")
        others = await client.get("/", headers={"host": f"127.0.0.1:{page.port}"})
    assert (own.status_code, others.status_code) == (200, 421)


# ---- origins


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://bench.example"}, {"origin": "null"}, {"origin": ""}, {"origin": "http://127.0.0.1"},
        {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}, {"sec-fetch-site": "none"},
    ],
)  # fmt: skip
async def test_a_page_of_elsewhere_cannot_change_anything(
    bench: Bench, page: Page, headers: dict[str, str]
) -> None:
    async with serving(page) as client:
        await enter(client, page.operator_link)
        for method, path in (
            ("POST", "/api/session/note"),
            ("POST", "/api/access"),
            ("POST", "/api/access/renew"),
            ("DELETE", "/api/access"),
        ):
            reply = await client.request(
                method, path, headers=headers, content=b'{"text": "from elsewhere"}'
            )
            assert reply.status_code == 403
            assert "set-cookie" not in reply.headers
        link = page.operator_link
        access = await client.get("/api/access")
    assert access.json()["may_operate"] is True
    assert bench.face.operations == []
    assert page.operator_link == link


async def test_a_request_that_names_no_origin_cannot_change_anything(
    bench: Bench, page: Page
) -> None:
    async with serving(page) as client:
        await enter(client, page.operator_link)
        del client.headers["origin"]
        reply = await client.post("/api/session/note", json={"text": "x"})
    assert reply.status_code == 403
    assert page.url.rstrip("/") in reply.json()["text"]
    assert bench.face.operations == []


async def test_what_the_page_itself_sends_is_taken(bench: Bench, page: Page) -> None:
    async with serving(page) as client:
        await enter(client, page.operator_link)
        for headers in (
            {"sec-fetch-site": "same-origin"},
            {"origin": f"http://localhost:{page.port}"},
        ):
            reply = await client.post(
                "/api/session/note", json={"text": "x"}, headers=headers
            )
            assert reply.status_code == 200
    assert bench.face.operations == [(Note("x"), "page")] * 2


async def test_the_stream_is_not_opened_from_another_site(page: Page) -> None:
    async with serving(page) as client:
        elsewhere = {"sec-fetch-site": "cross-site"}
        for path in ("/api/live", "/api/state"):
            reply = await client.get(path, headers=elsewhere)
            assert (reply.status_code, SHOWN in reply.text) == (403, False)
        assert page.viewers == 0
        # A link to the page may stand anywhere.
        assert (await client.get("/", headers=elsewhere)).status_code == 200


# ---- bodies


async def test_a_body_that_is_too_large_is_not_read(bench: Bench, page: Page) -> None:
    async with serving(page) as client:
        await enter(client, page.operator_link)
        announced = await client.post("/api/session/note", content=b" " * 65_537)
        endless = f"POST /api/session/note HTTP/1.1\nHost: localhost:{page.port}\nOrigin: {page.url[:-1]}\nContent-Length: 900000000\n\n"
        async with connected(page, endless) as reader:
            assert (await rest_of(reader)).startswith(b"HTTP/1.1 413 ")

        async def parts():
            for _ in range(100):
                yield b" " * 1000

        chunked = await client.post("/api/session/note", content=parts())
        text = json.dumps({"text": "x"}).encode()
        largest = await client.post(
            "/api/session/note",
            content=text + b" " * (65_536 - len(text)),
            headers={"content-type": "application/json"},
        )
    for reply in (announced, chunked):
        # RFC 9110, 15.5.14: content too large.
        assert reply.status_code == 413
        assert "65536" in reply.json()["text"]
    assert largest.status_code == 200
    assert bench.face.operations == [(Note("x"), "page")]


@pytest.mark.parametrize("length", ["99999999999999999999", "-1", "1e3", "one"])
async def test_a_made_up_length_is_refused(page: Page, length: str) -> None:
    request = (
        f"POST /api/access HTTP/1.1\nHost: localhost:{page.port}\nOrigin: http://localhost:{page.port}\n"
        f"Content-Length: {length}\n\n{{}}"
    )
    async with running(page), connected(page, request) as reader:
        assert (await rest_of(reader)).split()[1] in (b"413", b"400")


@pytest.mark.slow
async def test_a_body_that_does_not_come_is_not_waited_for(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daq.runtime.web.guard.BODY_S", 0.2)
    page = bench.page()
    request = (
        f"POST /api/access HTTP/1.1\nHost: localhost:{page.port}\nOrigin: http://localhost:{page.port}\n"
        'Content-Length: 100\nContent-Type: application/json\n\n{"token"'
    )
    async with running(page), connected(page, request) as reader:
        reply = await rest_of(reader)
    # RFC 9110, 15.5.9: request timeout; the connection is closed.
    assert reply.startswith(b"HTTP/1.1 408 ")
    assert b"connection: close" in reply


@pytest.mark.slow
@pytest.mark.parametrize("begun", ["", "GET / HTTP/1.1\nHost: local"])
async def test_a_head_that_does_not_come_is_not_waited_for(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, begun: str
) -> None:
    monkeypatch.setattr("daq.runtime.web.connections.HEAD_S", 0.2)
    page = bench.page()
    request = f"GET /page.js HTTP/1.1\nHost: localhost:{page.port}\n\n"
    async with running(page):
        async with connected(page, begun) as reader:
            assert await rest_of(reader) == b""
        # The second head of a connection has to come as well.
        async with connected_raw(page, request) as raw:
            await until(lambda: drain(raw).startswith(b"HTTP/1.1 200 "))
            raw.sendall(b"GET /")
            await until(lambda: is_cut(raw))


@pytest.mark.slow
async def test_a_viewer_is_no_slow_head(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daq.runtime.web.connections.HEAD_S", 0.1)
    page = bench.page()
    live = f"GET /api/live HTTP/1.1\nHost: localhost:{page.port}\n\n"
    async with running(page), connected(page, live) as viewer:
        await until(lambda: page.viewers == 1)
        async with connected(page, "GET /") as slow:
            assert await rest_of(slow) == b""
        page.push("beat", "still here")
        page.stop()
        assert b"still here" in await rest_of(viewer)


async def test_no_more_connections_are_held_than_files_allow(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daq.runtime.web.connections.MOST_CONNECTIONS", 2)
    page = bench.page()
    live = f"GET /api/live HTTP/1.1\nHost: localhost:{page.port}\n\n"
    async with running(page), connected(page, live), connected(page, live):
        await until(lambda: page.viewers == 2)
        async with connected(page, live) as third:
            assert await rest_of(third) == b""
        assert page.viewers == 2


# ---- malformed requests


@pytest.mark.parametrize(
    "request_",
    [
        "nonsense\n\n", "GET / HTTP/1.1\nHost: a\nHost: b\n\n", "GET / HTTP/1.1\nbad header\n\n",
        "GET /\x01 HTTP/1.1\nHost: a\n\n", "GET / HTTP/1.1\n" + "x: y\n" * 20_000 + "\n",
    ],
)  # fmt: skip
async def test_nonsense_is_refused_and_not_logged(
    page: Page, request_: str, caplog: pytest.LogCaptureFixture
) -> None:
    async with running(page), connected(page, request_) as reader:
        reply = await rest_of(reader)
    assert reply.startswith(b"HTTP/1.1 400 ")
    assert caplog.records == []


async def test_who_claims_to_forward_is_not_believed(page: Page) -> None:
    async with serving(page) as client:
        for n in range(10):
            await client.post(
                "/api/access",
                json={"token": "x"},
                headers={"x-forwarded-for": f"10.0.0.{n}"},
            )
        reply = await enter(client, page.operator_link)
    # All ten attempts were this computer's own.
    assert reply.status_code == 429
