"""The live page's server: what it serves, whom it refuses, and that no viewer can hold it up."""

import asyncio
import contextlib
import json
import logging
import re
import socket
from collections.abc import AsyncIterator, Callable
from importlib import resources

import httpx
import pytest

from daq.errors import NetworkError
from daq.runtime.web import Page
from daq.runtime.web.fanout import Fanout
from daq.runtime.web.server import is_free

PATIENCE_S = 20.0
STATE = {"format": 1, "instruction": "Switch off."}
TRACE = {"format": 1, "channels": {"power": {"t": [1.0], "v": [1385.0]}}}
STATIC = {
    item.name: item.read_bytes()
    for item in (resources.files("daq.runtime.web") / "static").iterdir()
}


def make_page(port: int = 0) -> Page:
    return Page(
        port=port, snapshot=lambda: json.dumps(STATE), trace=lambda: json.dumps(TRACE)
    )


@contextlib.asynccontextmanager
async def serving(page: Page) -> AsyncIterator[httpx.AsyncClient]:
    """Serve a page while this lasts; gives a client that talks to it and asks no proxy."""
    async with (
        asyncio.timeout(PATIENCE_S),
        asyncio.TaskGroup() as tasks,
        httpx.AsyncClient(base_url=page.url, trust_env=False) as client,
    ):
        tasks.create_task(page.run())
        try:
            yield client
        finally:
            page.stop()


async def until(condition: Callable[[], bool]) -> None:
    """Wait for a condition, or fail."""
    async with asyncio.timeout(PATIENCE_S):
        while not condition():  # noqa: ASYNC110 - what is waited for sets no event
            await asyncio.sleep(0.005)


async def events(response: httpx.Response) -> AsyncIterator[tuple[str, str]]:
    """Event names and data of a stream, in the form of the HTML standard, 9.2.6."""
    name = data = ""
    async for line in response.aiter_lines():
        field, _, value = line.partition(": ")
        if field == "event":
            name = value
        elif field == "data":
            data = value
        elif not line and name:
            yield name, data
            name = data = ""


@contextlib.asynccontextmanager
async def stalled_viewer(page: Page) -> AsyncIterator[asyncio.StreamReader]:
    """A viewer that asks for the stream and then takes nothing."""
    raw = socket.socket()
    raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    raw.connect(("127.0.0.1", page.port))
    reader, writer = await asyncio.open_connection(sock=raw, limit=1024)
    before = page.viewers
    writer.write(
        f"GET /api/live HTTP/1.1\r\nHost: localhost:{page.port}\r\n\r\n".encode()
    )
    try:
        await until(lambda: page.viewers == before + 1)
        yield reader
    finally:
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()


# ---- files


TYPES = {
    "/": "text/html; charset=utf-8",
    "/page.css": "text/css; charset=utf-8",
    "/page.js": "text/javascript; charset=utf-8",
    "/link.js": "text/javascript; charset=utf-8",
    "/uplot.js": "text/javascript; charset=utf-8",
    "/uplot.css": "text/css; charset=utf-8",
    "/api/state": "application/json",
    "/api/trace": "application/json",
}


async def test_everything_comes_with_its_type_and_the_security_headers() -> None:
    async with serving(make_page()) as client:
        replies = {path: await client.get(path) for path in TYPES}
    assert {path: r.headers["content-type"] for path, r in replies.items()} == TYPES
    for reply in replies.values():
        assert reply.status_code == 200
        policy = dict(
            directive.split(" ", 1)
            for directive in reply.headers["content-security-policy"].split("; ")
        )
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == "'self'"
        assert policy["connect-src"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert reply.headers["x-content-type-options"] == "nosniff"
        assert reply.headers["referrer-policy"] == "no-referrer"


async def test_every_module_that_the_page_imports_is_served() -> None:
    wanted, fetched = {"page.js"}, set[str]()
    async with serving(make_page()) as client:
        while wanted:
            name = wanted.pop()
            reply = await client.get(f"/{name}")
            assert reply.content == STATIC[name]
            fetched.add(name)
            wanted |= set(re.findall(r'from "\./(.+?)"', reply.text)) - fetched
    assert fetched == {name for name in STATIC if name.endswith(".js")}


async def test_the_page_asks_for_nothing_inline_and_nothing_from_elsewhere() -> None:
    html = STATIC["index.html"].decode()
    assert re.findall(r"<script(?![^>]*\bsrc=)", html) == []
    assert re.findall(r"\s(?:style|on\w+)=", html) == []
    links = re.findall(r'(?:src|href)="([^"]*)"', html)
    assert [link for link in links if not re.match(r"/\w|#|data:image/", link)] == []


async def test_the_chart_library_is_the_one_the_page_was_written_for() -> None:
    # Contract with the package that carries the charts: the page needs the global
    # `uPlot` of version 1.6, built to run without modules.
    vendor = resources.files("youplot") / "vendor"
    script = (vendor / "uplot.iife.min.js").read_text(encoding="utf-8")
    banner, code = script.split("\n", 1)
    assert re.fullmatch(r"/\*! https://\S+/uPlot \(v1\.6\.\d+\) \*/", banner)
    assert code.startswith("var uPlot=function(){")
    async with serving(make_page()) as client:
        assert (await client.get("/uplot.js")).text == script
        assert ".u-wrap" in (await client.get("/uplot.css")).text


# ---- whom it refuses


async def test_a_request_for_an_unknown_host_learns_nothing() -> None:
    page = make_page()
    wrong = ["bench.example", f"bench.example:{page.port}", "127.0.0.1", "localhost:1"]
    async with serving(page) as client:
        for host in wrong:
            for path in ("/", "/api/state", "/api/live"):
                reply = await client.get(path, headers={"host": host})
                # RFC 9110, 15.5.20: misdirected request.
                assert reply.status_code == 421
                assert "Switch off" not in reply.text
        named = await client.get(
            "/api/state", headers={"host": f"localhost:{page.port}"}
        )
        assert named.json() == STATE


async def test_whatever_could_change_something_is_refused() -> None:
    async with serving(make_page()) as client:
        for path in ("/", "/page.js", "/api/state", "/api/live"):
            for method in ("POST", "PUT", "DELETE", "PATCH"):
                reply = await client.request(method, path)
                # RFC 9110, 15.5.6: method not allowed; the reply names those that are.
                assert reply.status_code == 405
                assert set(reply.headers["allow"].split(", ")) == {"GET", "HEAD"}


async def test_what_does_not_exist_is_not_found() -> None:
    async with serving(make_page()) as client:
        for path in ("/index.html", "/static/page.js", "/..%2fserver.py", "/docs"):
            assert (await client.get(path)).status_code == 404


async def test_it_listens_on_loopback_alone() -> None:
    page = make_page()
    async with serving(page):
        with socket.socket() as probe:
            # Another address of the same machine (RFC 1122, 3.2.1.3: all 127/8 is
            # loopback) is answered only by a socket that is bound to every address.
            assert probe.connect_ex(("127.0.0.2", page.port)) != 0


# ---- state and trace


async def test_state_and_trace_are_asked_for_anew_each_time() -> None:
    counts = iter(range(100))
    page = Page(
        port=0, snapshot=lambda: str(next(counts)), trace=lambda: json.dumps(TRACE)
    )
    async with serving(page) as client:
        assert [(await client.get("/api/state")).json() for _ in range(3)] == [0, 1, 2]
        trace = await client.get("/api/trace")
    assert trace.json() == TRACE
    assert trace.headers["cache-control"] == "no-store"


# ---- the live stream


async def test_the_stream_begins_with_the_state_and_brings_what_is_pushed() -> None:
    page = make_page()
    async with serving(page) as client, client.stream("GET", "/api/live") as reply:
        assert reply.headers["content-type"].startswith("text/event-stream")
        assert reply.headers["cache-control"] == "no-store"
        stream = events(reply)
        name, data = await anext(stream)
        assert (name, json.loads(data)) == ("state", STATE)
        page.push("reading", '{"at_s": 1.5}')
        page.push("beat", '{"now_s": 2.0}')
        assert await anext(stream) == ("reading", '{"at_s": 1.5}')
        assert await anext(stream) == ("beat", '{"now_s": 2.0}')


async def test_stopping_ends_the_streams_and_frees_the_port() -> None:
    page = make_page()
    async with serving(page) as client, client.stream("GET", "/api/live") as reply:
        stream = events(reply)
        await anext(stream)
        assert not is_free(page.port)
        page.stop()
        assert [event async for event in stream] == []
    assert page.viewers == 0
    assert is_free(page.port)


@pytest.mark.slow
async def test_a_page_can_follow_another_on_the_same_port_at_once() -> None:
    first = make_page()
    async with serving(first) as client, client.stream("GET", "/api/live") as reply:
        await anext(events(reply))
    async with serving(make_page(first.port)) as client:
        assert (await client.get("/api/state")).json() == STATE


async def test_a_cancelled_page_ends_its_streams_and_frees_the_port(
    caplog: pytest.LogCaptureFixture,
) -> None:
    page = make_page()
    async with (
        asyncio.timeout(PATIENCE_S),
        httpx.AsyncClient(base_url=page.url, trust_env=False) as client,
        asyncio.TaskGroup() as tasks,
    ):
        running = tasks.create_task(page.run())
        async with client.stream("GET", "/api/live") as reply:
            stream = events(reply)
            await anext(stream)
            running.cancel()
            assert [event async for event in stream] == []
        await asyncio.wait([running])
    assert is_free(page.port)
    assert [r for r in caplog.records if r.levelno >= logging.WARNING] == []


async def test_a_viewer_that_leaves_is_forgotten() -> None:
    page = make_page()
    async with serving(page) as client:
        async with client.stream("GET", "/api/live") as reply:
            await anext(events(reply))
            assert page.viewers == 1
        await until(lambda: page.viewers == 0)


@pytest.mark.slow
async def test_a_stream_without_news_still_says_that_it_is_open() -> None:
    async with (
        serving(make_page()) as client,
        client.stream("GET", "/api/live") as reply,
    ):
        async for line in reply.aiter_lines():
            if line.startswith(":"):
                break


async def test_a_viewer_that_takes_nothing_is_kept_the_newest_frames_only() -> None:
    fanout = Fanout()
    stream = fanout.stream(b"event: state\ndata: {}\n\n")
    await anext(stream)
    for n in range(10_000):
        fanout.push("reading", str(n))
    kept = [int(n) for n in re.findall(rb"data: (\d+)", await anext(stream))]
    assert len(kept) <= 256
    assert kept == list(range(10_000 - len(kept), 10_000))
    fanout.stop()
    assert [chunk async for chunk in stream] == []
    assert fanout.count == 0


@pytest.mark.slow
async def test_a_stalled_viewer_delays_nobody_and_misses_frames() -> None:
    page = make_page()
    frames, padding = 10_000, "x" * 4000  # 40 MB: more than any socket buffer holds
    async with (
        serving(page) as client,
        stalled_viewer(page) as slow,
        client.stream("GET", "/api/live") as reply,
    ):
        quick = events(reply)
        await anext(quick)
        for first in range(0, frames, 100):
            for n in range(first, first + 100):
                page.push("reading", f"{n} {padding}")
            # This viewer keeps up: it gets each hundred before the next is pushed.
            got = [int((await anext(quick))[1].split()[0]) for _ in range(100)]
            assert got == list(range(first, first + 100))
        page.push("beat", "last")
        received = b""
        while b"data: last" not in received:
            received += await slow.read(2**20)
    assert received.count(b"event: reading") < frames / 2


@pytest.mark.slow
async def test_a_stalled_viewer_does_not_keep_the_page_from_stopping(
    caplog: pytest.LogCaptureFixture,
) -> None:
    page = make_page()
    async with asyncio.timeout(PATIENCE_S), asyncio.TaskGroup() as tasks:
        running = tasks.create_task(page.run())
        async with stalled_viewer(page):
            for _ in range(4000):
                page.push("state", "x" * 4000)
                await asyncio.sleep(0)
            page.stop()
            await running
    assert is_free(page.port)
    assert [r for r in caplog.records if r.levelno >= logging.WARNING] == []


# ---- the port


async def test_a_page_has_its_port_before_it_runs() -> None:
    page = make_page()
    with pytest.raises(NetworkError, match=str(page.port)):
        make_page(page.port)
    async with serving(page) as client:
        assert (await client.get("/api/state")).json() == STATE


def test_a_port_that_another_program_has_is_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        assert not is_free(port)
        with pytest.raises(NetworkError, match=f"page port {port}: another program"):
            make_page(port)
    assert is_free(port)
