"""The live stream: what it brings, and that no viewer can hold up the page or another viewer."""

import asyncio
import contextlib
import json
import logging
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from daq.runtime.web import Page
from daq.runtime.web.fanout import Fanout
from daq.runtime.web.listeners import is_free
from tests.runtime.faces import SNAPSHOT
from tests.runtime.pages import (
    PATIENCE_S,
    Bench,
    connected,
    connected_raw,
    drain,
    events,
    rest_of,
    running,
    serving,
    stalled_viewer,
)
from tests.runtime.waiting import until


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def page(bench: Bench) -> Page:
    return bench.page()


def read_chunks(body: bytes) -> bytes:
    """What chunks carry, RFC 9112, 7.1."""
    content = b""
    while True:
        size, _, body = body.partition(b"\r\n")
        length = int(size, 16)
        if not length:
            assert body == b"\r\n"
            return content
        content, end, body = content + body[:length], body[length : length + 2], body[length + 2 :]  # fmt: skip
        assert end == b"\r\n"


async def test_the_stream_begins_with_the_state_and_brings_what_is_pushed(
    page: Page,
) -> None:
    async with serving(page) as client, client.stream("GET", "/api/live") as reply:
        assert reply.headers["content-type"].startswith("text/event-stream")
        assert reply.headers["cache-control"] == "no-store"
        stream = events(reply)
        name, data = await anext(stream)
        assert (name, json.loads(data)) == ("state", json.loads(SNAPSHOT.as_json()))
        page.push("reading", '{"at_s": 1.5}')
        page.push("beat", '{"now_s": 2.0}')
        assert await anext(stream) == ("reading", '{"at_s": 1.5}')
        assert await anext(stream) == ("beat", '{"now_s": 2.0}')


@pytest.mark.parametrize("version", ["1.0", "1.1"])
async def test_the_stream_is_whole_in_every_version_of_http(
    page: Page, version: str
) -> None:
    request = f"GET /api/live HTTP/{version}\nHost: localhost:{page.port}\n\n"
    async with running(page), connected(page, request) as reader:
        await until(lambda: page.viewers == 1)
        page.push("reading", '{"name": "größe"}')
        page.stop()
        head, _, body = (await rest_of(reader)).partition(b"\r\n\r\n")
    assert (b"transfer-encoding: chunked" in head.lower()) == (version == "1.1")
    content = read_chunks(body) if version == "1.1" else body
    assert content.startswith(b"retry: 1000\n\nevent: state\ndata: {")
    assert content.endswith('}\n\nevent: reading\ndata: {"name": "größe"}\n\n'.encode())


async def test_a_part_that_changes_and_changes_back_is_right_with_whoever_came_in_between(
    bench: Bench, page: Page
) -> None:
    idle = bench.face.snapshot
    async with serving(page) as client, client.stream("GET", "/api/live") as known:
        before = events(known)
        await anext(before)
        page.push("state", '{"urgency": "wait"}')
        while await anext(before) != ("state", '{"urgency": "wait"}'):
            pass
        # A moment that no push tells of, and in which somebody begins to look on.
        bench.face.snapshot = replace(idle, urgency="danger")
        async with client.stream("GET", "/api/live") as reply:
            stream = events(reply)
            assert json.loads((await anext(stream))[1])["urgency"] == "danger"
            bench.face.snapshot = idle
            page.push("reading", '{"at_s": 1.5}')
            page.push("state", '{"clock": {}}')
            assert await anext(stream) == ("reading", '{"at_s": 1.5}')
            name, data = await anext(stream)
            assert (name, json.loads(data)) == ("state", json.loads(idle.as_json()))
            assert await anext(stream) == ("state", '{"clock": {}}')
            page.push("state", '{"clock": {}}')
            assert await anext(stream) == ("state", '{"clock": {}}')
            page.push("beat", "{}")
            assert await anext(stream) == ("beat", "{}")
            # Whoever was there before gets the parts alone.
            for expected in ("reading", "state", "state", "beat"):
                name, data = await anext(before)
                assert (name, len(data) < 20) == (expected, True)


async def test_a_state_is_made_once_for_all_who_begin_at_the_same_moment(
    bench: Bench,
) -> None:
    made = 0
    text = bench.face.state()

    def state() -> str:
        nonlocal made
        made += 1
        return text

    fanout = Fanout(state)
    assert [fanout.state() for _ in range(5)] == [text] * 5
    assert made == 1
    await asyncio.sleep(0)
    assert (fanout.state(), made) == (text, 2)
    fanout.push("reading", "{}")
    assert (fanout.state(), made) == (text, 3)


async def test_asking_for_the_head_of_the_stream_makes_no_viewer(page: Page) -> None:
    async with serving(page) as client:
        reply = await client.head("/api/live")
        assert reply.headers["content-type"].startswith("text/event-stream")
        assert page.viewers == 0


async def test_many_viewers_get_every_frame_in_its_order(page: Page) -> None:
    viewers, frames = 40, 30
    request = f"GET /api/live HTTP/1.1\nHost: localhost:{page.port}\n\n"

    async def follow() -> None:
        async with connected(page, request) as reader:
            received.append(await rest_of(reader))

    received: list[bytes] = []
    async with running(page), asyncio.TaskGroup() as tasks:
        for _ in range(viewers):
            tasks.create_task(follow())
        await until(lambda: page.viewers == viewers)
        for n in range(frames):
            page.push("reading", str(n))
            await asyncio.sleep(0)
        page.push("reading", "last")
        page.stop()
    expected = [b"data: %d" % n for n in range(frames)] + [b"data: last"]
    assert len(received) == viewers
    for reply in received:
        lines = [line for line in reply.split(b"\n") if line.startswith(b"data: ")]
        assert lines[1:] == expected


async def test_between_the_viewers_others_have_their_turn(page: Page) -> None:
    viewers = 100
    request = f"GET /api/live HTTP/1.1\nHost: localhost:{page.port}\n\n"
    async with running(page), contextlib.AsyncExitStack() as opened:
        dialled = [
            await opened.enter_async_context(connected_raw(page, request))
            for _ in range(viewers)
        ]
        await until(lambda: page.viewers == viewers)
        for raw in dialled:
            drain(raw)
        page.push("reading", "news")
        served_by_turn: list[int] = []
        while sum(served_by_turn) < viewers:
            # One turn of the event loop: the bench's own work is one callback among others in it.
            await asyncio.sleep(0)
            served_by_turn.append(sum(b"news" in drain(raw) for raw in dialled))
    assert max(served_by_turn) <= 20


async def test_stopping_ends_the_streams_and_frees_the_port(page: Page) -> None:
    async with serving(page) as client, client.stream("GET", "/api/live") as reply:
        stream = events(reply)
        await anext(stream)
        assert not is_free(page.port)
        page.stop()
        assert [event async for event in stream] == []
    assert page.viewers == 0
    assert is_free(page.port)


async def test_a_cancelled_page_ends_its_streams_and_frees_the_port(
    page: Page, caplog: pytest.LogCaptureFixture
) -> None:
    async with (
        asyncio.timeout(PATIENCE_S),
        httpx.AsyncClient(base_url=page.url, trust_env=False) as client,
        asyncio.TaskGroup() as tasks,
    ):
        task = tasks.create_task(page.run())
        async with client.stream("GET", "/api/live") as reply:
            stream = events(reply)
            await anext(stream)
            task.cancel()
            assert [event async for event in stream] == []
        await asyncio.wait([task])
    assert is_free(page.port)
    assert [r for r in caplog.records if r.levelno >= logging.WARNING] == []


async def test_a_viewer_that_leaves_is_forgotten(page: Page) -> None:
    async with serving(page) as client:
        async with client.stream("GET", "/api/live") as reply:
            await anext(events(reply))
            assert page.viewers == 1
        await until(lambda: page.viewers == 0)


@pytest.mark.slow
async def test_a_viewer_that_is_too_far_behind_is_cut_off_and_delays_nobody(
    page: Page,
) -> None:
    padding = "x" * 4000
    pushed = 0
    async with (
        serving(page) as client,
        stalled_viewer(page) as slow,
        client.stream("GET", "/api/live") as reply,
    ):
        quick = events(reply)
        await anext(quick)
        while page.viewers == 2:
            for n in range(pushed, pushed + 100):
                page.push("reading", f"{n} {padding}")
            # This viewer keeps up: it gets each hundred before the next is pushed.
            got = [int((await anext(quick))[1].split()[0]) for _ in range(100)]
            assert got == list(range(pushed, pushed + 100))
            pushed += 100
            # 40 MB are more than the buffers of a socket hold.
            assert pushed <= 10_000
        received = await rest_of(slow)
    # What it did get is without a hole: it never takes an old state for the present one.
    numbers = [
        int(line.split()[1])
        for line in received.split(b"\n")
        if line.startswith(b"data: ") and line.endswith(b"x" * 4000)
    ]
    assert numbers == list(range(len(numbers)))
    assert len(numbers) < pushed


@pytest.mark.slow
async def test_a_viewer_that_takes_nothing_for_long_is_cut_off(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daq.runtime.web.connections.STALLED_S", 0.3)
    page = bench.page()
    async with running(page), stalled_viewer(page):
        # More than what the system's buffers take, less than what is too much at once.
        for _ in range(8):
            page.push("state", "x" * 50_000)
            await asyncio.sleep(0)
        await until(lambda: page.viewers == 0)


@pytest.mark.slow
async def test_a_stalled_viewer_does_not_keep_the_page_from_stopping(
    page: Page, caplog: pytest.LogCaptureFixture
) -> None:
    async with asyncio.timeout(PATIENCE_S), asyncio.TaskGroup() as tasks:
        task = tasks.create_task(page.run())
        async with stalled_viewer(page):
            for _ in range(8):
                page.push("state", "x" * 50_000)
                await asyncio.sleep(0)
            page.stop()
            await task
    assert is_free(page.port)
    assert [r for r in caplog.records if r.levelno >= logging.WARNING] == []
