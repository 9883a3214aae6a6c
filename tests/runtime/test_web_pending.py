"""Requests that take their time: given up when nobody waits for them, and none of them, nor a fault, ends the service."""

import asyncio
import logging
from pathlib import Path

import pytest

from daq.operations import Operation, Pause
from daq.runtime.web.access import Role
from daq.runtime.web.listeners import is_free
from tests.runtime.faces import FakeFace
from tests.runtime.pages import (
    Bench,
    client_of,
    connected,
    enter,
    serving,
    token_in,
)
from tests.runtime.waiting import until


class SlowFace(FakeFace):
    """Whose stored sessions and operations take for ever, or until let go.

    Attributes:
        asked: Requests under way or over [1].
        given_up: Those that were cancelled [1].
    """

    def __init__(self) -> None:
        super().__init__()
        self.asked = 0
        self.given_up = 0
        self.let_go = asyncio.Event()

    async def session(self, number: int) -> str | None:
        await self._wait()
        return await super().session(number)

    async def operate(self, operation: Operation, *, way: str) -> str:
        await self._wait()
        return await super().operate(operation, way=way)

    async def _wait(self) -> None:
        self.asked += 1
        try:
            await self.let_go.wait()
        except asyncio.CancelledError:
            self.given_up += 1
            raise


class FaultyFace(FakeFace):
    """Whose plans are a fault of the program."""

    async def plans(self) -> str:
        msg = "a fault"
        raise RuntimeError(msg)


@pytest.fixture
def face() -> SlowFace:
    return SlowFace()


@pytest.fixture
def bench(tmp_path: Path, face: SlowFace) -> Bench:
    return Bench(tmp_path, face)


@pytest.mark.slow
async def test_what_is_looked_up_is_given_up_when_the_page_stops(
    bench: Bench, face: SlowFace
) -> None:
    page = bench.page()
    async with serving(page) as client, asyncio.TaskGroup() as tasks:
        asking = tasks.create_task(client.get("/api/sessions/1"))
        await until(lambda: face.asked == 1)
        page.stop()
        reply = await asking
    assert (reply.status_code, face.given_up) == (503, 1)
    assert "is stopping" in reply.json()["text"]
    assert is_free(page.port)


async def test_what_is_looked_up_is_given_up_when_its_caller_leaves(
    bench: Bench, face: SlowFace
) -> None:
    page = bench.page()
    request = f"GET /api/sessions/1 HTTP/1.1\nHost: localhost:{page.port}\n\n"
    async with serving(page) as client:
        async with connected(page, request):
            await until(lambda: face.asked == 1)
        await until(lambda: face.given_up == 1)
        face.let_go.set()
        assert (await client.get("/api/sessions/1")).status_code == 200


@pytest.mark.slow
async def test_a_connection_serves_again_after_a_long_answer(
    bench: Bench, face: SlowFace
) -> None:
    face.let_go.set()
    async with serving(bench.page()) as client:
        for _ in range(3):
            assert (await client.get("/api/sessions/1")).status_code == 200
            assert (await client.get("/api/sessions/2")).status_code == 404
    assert face.given_up == 0


async def test_an_operation_does_not_end_half_way_when_its_caller_leaves(
    bench: Bench, face: SlowFace
) -> None:
    page = bench.page()
    cookie = f"bench-{page.port}={bench.keys.cookie(Role.OPERATOR)}"
    request = (
        f"POST /api/session/pause HTTP/1.1\nHost: localhost:{page.port}\n"
        f"Origin: http://localhost:{page.port}\nCookie: {cookie}\n"
        "Content-Type: application/json\nContent-Length: 2\n\n{}"
    )
    async with serving(page) as client:
        async with connected(page, request):
            await until(lambda: face.asked == 1)
        # Its caller has left by the time that another one is answered.
        await client.get("/api/access")
        face.let_go.set()
        await until(lambda: bool(face.operations))
    assert (face.operations, face.given_up) == ([(Pause(), "page")], 0)


async def test_a_fault_costs_one_request_its_answer_and_tells_no_token(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench(tmp_path, FaultyFace())
    page = bench.page()
    async with serving(page) as client, client_of(page.url) as other:
        await enter(client, page.operator_link)
        caplog.clear()
        reply = await client.get("/api/plans")
        assert (reply.status_code, reply.json()["format"]) == (500, 1)
        assert "a fault in the program" in reply.json()["text"]
        for each in (client, other):
            assert (await each.get("/api/state")).status_code == 200
        token = token_in(page.operator_link)
        cookie = next(iter(client.cookies.values()))
    # The fault itself is told, for whoever mends it.
    (record,) = [r for r in caplog.records if r.levelno >= logging.ERROR]
    told = logging.Formatter().format(record)
    assert "RuntimeError: a fault" in told
    assert (token in caplog.text, cookie in caplog.text) == (False, False)
