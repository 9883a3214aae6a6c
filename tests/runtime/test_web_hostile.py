"""What the page withstands: requests that are two things at once, trickles, a thousand connections, guesses."""

import asyncio
import contextlib
import hmac
import socket
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import httpx
import pytest

from daq.runtime.web import AccessKeys, Page, Share
from daq.runtime.web.access import Role
from tests.runtime.pages import (
    NETWORK,
    OPENSSL,
    PATIENCE_S,
    Bench,
    client_of,
    connected,
    connected_raw,
    drain,
    enter,
    is_cut,
    make_certificate,
    rest_of,
    running,
    serving,
)
from tests.runtime.waiting import until

NEEDS_OPENSSL = pytest.mark.skipif(OPENSSL is None, reason="openssl is not installed")


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def page(bench: Bench) -> Page:
    return bench.page()


def posted(page: Page, *headers: str, version: str = "1.1", body: str = "{}") -> str:
    """A request as the page's own script would send it, with these headers more."""
    given = [
        f"Host: localhost:{page.port}", f"Origin: http://localhost:{page.port}", "Content-Type: application/json",
        *headers,
    ]  # fmt: skip
    return f"POST /api/access HTTP/{version}\n" + "\n".join(given) + f"\n\n{body}"


# ---- one request inside another


CHUNKED = "Transfer-Encoding: chunked"
HIDDEN = "\n\nGET /page.css HTTP/1.1\nHost: localhost\n\n"


@pytest.mark.parametrize(
    ("headers", "body"),
    [
        # RFC 9112, 6.1 and 6.3: the ways in which two readers come to two ends of one body.
        (("Content-Length: 5", CHUNKED), f"0{HIDDEN}"),
        ((CHUNKED, "Content-Length: 5"), f"0{HIDDEN}"),
        (("Content-Length: 2", "Content-Length: 3"), "{}"),
        (("Content-Length: 2, 3",), "{}"),
        (("Content-Length: +2",), "{}"),
        (("Content-Length: 0x2",), "{}"),
        (("Content-Length:",), "{}"),
        (("Transfer-Encoding: xchunked",), f"0{HIDDEN}"),
        (("Transfer-Encoding: identity, chunked",), f"0{HIDDEN}"),
        ((CHUNKED, "Transfer-Encoding: identity"), f"0{HIDDEN}"),
        ((CHUNKED, CHUNKED), f"0{HIDDEN}"),
        (("Transfer-Encoding : chunked",), f"0{HIDDEN}"),
        ((CHUNKED,), "-2\n{}\n0\n\n"),
        ((CHUNKED,), "0x2\n{}\n0\n\n"),
        ((CHUNKED,), f"{'f' * 40}\n{{}}\n0\n\n"),
        ((CHUNKED,), f"2\n{{}}{HIDDEN}"),
        # RFC 9110, 5.3 and 7.2: what may be there once only.
        (("Host: bench.example",), "{}"),
        (("Origin: http://bench.example",), "{}"),
        (("Content-Type: text/plain",), "{}"),
    ],
)  # fmt: skip
async def test_a_request_that_two_readers_would_take_for_two_is_refused(
    bench: Bench, page: Page, headers: tuple[str, ...], body: str
) -> None:
    async with (
        running(page),
        connected(page, posted(page, *headers, body=body)) as reader,
    ):
        received = await rest_of(reader)
    assert received.startswith(b"HTTP/1.1 400 ")
    # Closed, and what was hidden in it was taken for no request.
    assert received.count(b"HTTP/1.1 ") == 1
    assert bench.face.operations == []


async def test_a_body_that_is_none_has_one_answer_and_is_no_fault_of_the_program(
    page: Page, caplog: pytest.LogCaptureFixture
) -> None:
    # The head is a request, what follows no chunk: refused twice, by the library and by its version.
    request = posted(page, CHUNKED, version="0.1", body="\n")
    async with running(page):
        with caplog.at_level("ERROR", logger="uvicorn.error"):
            async with connected(page, request) as reader:
                received = await rest_of(reader)
            async with connected(page, "GET /page.css HTTP/1.1\nHost: localhost\n\n"):
                pass
    assert received.startswith(b"HTTP/1.1 400 ")
    assert received.count(b"HTTP/1.1 ") == 1
    assert caplog.messages == []


@pytest.mark.parametrize(
    ("start", "status"),
    # Answered before its body is there, for the name is not the page's; and owed a head only.
    [("POST /api/access HTTP/1.1\nHost: bench.example", 421), ("HEAD / HTTP/1.0\nHost: localhost", 400)],
)  # fmt: skip
async def test_a_body_that_turns_out_to_be_none_ends_the_connection_without_a_fault(
    page: Page, start: str, status: int
) -> None:
    faults: list[dict[str, object]] = []
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(lambda _, fault: faults.append(fault))
    async with (
        running(page),
        connected_raw(page, f"{start}\n{CHUNKED}\n\nc\n") as raw,
        asyncio.timeout(PATIENCE_S),
    ):
        received = b""
        while status == 421 and b"page" not in received:
            received += await loop.sock_recv(raw, 2**16)
        raw.sendall(b"no chunk at all, of more bytes than were said")
        while part := await loop.sock_recv(raw, 2**16):
            received += part
    assert received.startswith(b"HTTP/1.1 %d " % status)
    assert received.count(b"HTTP/1.1 ") == 1
    assert faults == []


async def test_an_old_version_knows_no_chunks(page: Page) -> None:
    request = posted(page, CHUNKED, version="1.0", body=f"0{HIDDEN}")
    async with running(page), connected(page, request) as reader:
        received = await rest_of(reader)
    assert received.startswith(b"HTTP/1.1 400 ")
    assert received.count(b"HTTP/1.1 ") == 1


async def test_what_stands_in_a_body_is_no_request(page: Page) -> None:
    hidden = f"GET /page.css HTTP/1.1\nHost: localhost:{page.port}\n\n"
    length = len(hidden.replace("\n", "\r\n"))
    host = f"Host: localhost:{page.port}"
    request = (
        f"GET /api/access HTTP/1.1\n{host}\nContent-Length: {length}\n\n{hidden}"
        f"GET /page.js HTTP/1.1\n{host}\nConnection: close\n\n"
    )
    async with running(page), connected(page, request) as reader:
        received = await rest_of(reader)
    assert received.count(b"HTTP/1.1 200 ") == 2
    assert b"content-type: text/css" not in received


# ---- headers of the answer


@pytest.mark.parametrize(
    "path",
    [
        "/%0d%0aset-cookie:%20smuggled=1", "/api/%0aset-cookie:smuggled=1", "/api/sessions/1%0d%0asmuggled:1",
        "/page.js?%0d%0asmuggled:1", "/%0d%0a%0d%0asmuggled", "/page.js%00.css",
    ],
)  # fmt: skip
async def test_no_line_of_an_address_becomes_a_header(page: Page, path: str) -> None:
    request = f"GET {path} HTTP/1.1\nHost: localhost:{page.port}\nCookie: bench-{page.port}=%0d%0asmuggled: 1\nConnection: close\n\n"
    async with running(page), connected(page, request) as reader:
        received = await rest_of(reader)
    head, _, _ = received.partition(b"\r\n\r\n")
    assert received.count(b"HTTP/1.1 ") == 1
    assert b"smuggled" not in head


async def test_no_word_of_a_body_becomes_a_header(page: Page) -> None:
    async with serving(page) as client:
        for token in ("x\r\nset-cookie: smuggled=1", "\0", "x" * 200):
            reply = await client.post("/api/access", json={"token": token})
            assert reply.status_code == 401
            assert "smuggled" not in str(reply.headers)
            assert token not in reply.text


# ---- bodies that do not end


def written(raw: socket.socket, piece: bytes) -> bool:
    """Whether a piece went on its way; not where the connection is cut, or nothing more is taken at the moment."""
    try:
        raw.sendall(piece)
    except OSError:
        return False
    return True


@pytest.mark.slow
async def test_a_trickled_body_is_not_waited_for(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daq.runtime.web.guard.BODY_S", 0.3)
    page = bench.page()
    received = bytearray()

    def trickled(raw: socket.socket) -> bool:
        # Something comes all the time, and never the end.
        written(raw, b"x")
        received.extend(drain(raw))
        return received.startswith(b"HTTP/1.1 408 ")

    request = posted(page, "Content-Length: 60000", body='{"token": "')
    async with running(page), connected_raw(page, request) as raw:
        await until(lambda: trickled(raw))


@pytest.mark.slow
@pytest.mark.parametrize("announced", ["Content-Length: 60000", CHUNKED])
async def test_what_trickles_in_after_the_answer_is_not_waited_for(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, announced: str
) -> None:
    monkeypatch.setattr("daq.runtime.web.connections.HEAD_S", 0.3)
    page = bench.page()
    # Nobody reads the body of a request that changes nothing; its connection is not held for it either.
    request = f"GET /api/access HTTP/1.1\nHost: localhost:{page.port}\n{announced}\n\n"

    def trickled(raw: socket.socket) -> bool:
        written(raw, b"1\r\nx\r\n" if announced == CHUNKED else b"x")
        return is_cut(raw)

    async with running(page), connected_raw(page, request) as raw:
        await until(lambda: drain(raw).startswith(b"HTTP/1.1 200 "))
        await until(lambda: trickled(raw))


@pytest.mark.slow
async def test_a_trickled_head_is_not_waited_for(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daq.runtime.web.connections.HEAD_S", 0.3)
    page = bench.page()

    def trickled(raw: socket.socket) -> bool:
        written(raw, b"x: y\r\n")
        return is_cut(raw)

    async with running(page), connected_raw(page, "GET / HTTP/1.1\n") as raw:
        await until(lambda: trickled(raw))


async def test_chunks_without_end_are_cut_off(page: Page) -> None:
    piece = b"8000\r\n" + b" " * 0x8000 + b"\r\n"
    sent = 0
    received = bytearray()

    def flooded(raw: socket.socket) -> bool:
        nonlocal sent
        sent += len(piece) * written(raw, piece)
        received.extend(drain(raw))
        return received.startswith(b"HTTP/1.1 413 ")

    async with (
        running(page),
        connected_raw(page, posted(page, CHUNKED, body="")) as raw,
    ):
        await until(lambda: flooded(raw))
        await until(lambda: not written(raw, piece) and is_cut(raw))
    # 1 MB is read so that whoever sends it gets to read why; the rest are buffers of the system.
    assert sent < 16 * 2**20


@pytest.mark.parametrize(
    "body", ["[" * 60_000, '{"a":' * 12_000, "1" * 60_000, '{"text": "\\ud800"}', "\ufeff{}", "NaN"]
)  # fmt: skip
async def test_a_body_that_is_hard_to_read_is_refused_and_nothing_is_asked(
    bench: Bench, page: Page, body: str
) -> None:
    async with serving(page) as client:
        await enter(client, page.operator_link)
        reply = await client.post(
            "/api/session/note",
            content=body.encode(),
            headers={"content-type": "application/json"},
        )
    assert reply.status_code == 422
    assert len(reply.text) < 2000
    assert bench.face.operations == []


# ---- connections without end


@contextlib.asynccontextmanager
async def held(host: str, port: int, count: int) -> AsyncIterator[list[socket.socket]]:
    """Connections that say nothing."""
    opened: list[socket.socket] = []
    try:
        for _ in range(count):
            one = socket.socket()
            opened.append(one)
            one.settimeout(0.0)
            one.connect_ex((host, port))
        yield opened
    finally:
        for one in opened:
            one.close()


def cut_of(opened: list[socket.socket]) -> int:
    return sum(is_cut(one) for one in opened)


@NEEDS_OPENSSL
@pytest.mark.slow
@pytest.mark.parametrize("is_encrypted", [False, True])
async def test_whoever_says_nothing_is_counted_from_the_first_moment(
    bench: Bench,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    is_encrypted: bool,  # noqa: FBT001 - a parameter of the test
) -> None:
    monkeypatch.setattr("daq.runtime.web.listeners.MOST_HELD", 5)
    files = make_certificate(tmp_path) if is_encrypted else (None, None)
    page = bench.page(share=Share(NETWORK, 0, *files))
    url = httpx.URL(page.shared_url or "")
    async with running(page):
        async with held(NETWORK, url.port or 0, 30) as opened:
            # With TLS none of them has begun its handshake.
            await until(lambda: cut_of(opened) == 25)
            # This computer has a door of its own.
            async with client_of(page.url) as client:
                assert (await client.get("/api/state")).status_code == 200
        async with client_of(str(url), trusts=files[0]) as client:
            # Once they have left, the next ones are let in.
            await until_answered(client)


async def until_answered(client: httpx.AsyncClient) -> None:
    while True:
        with contextlib.suppress(httpx.TransportError):
            assert (await client.get("/api/access")).status_code == 200
            return


_CROWD = """
import socket, sys
opened = []
for _ in range(1000):
    one = socket.socket()
    one.setblocking(False)
    one.connect_ex(("127.0.0.1", int(sys.argv[1])))
    opened.append(one)
print("there", flush=True)
sys.stdin.read()
"""


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


@contextlib.contextmanager
def crowd(port: int) -> Iterator[None]:
    """A thousand connections of another program."""
    with subprocess.Popen(
        [sys.executable, "-c", _CROWD, str(port)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == b"there\n"
            yield
        finally:
            process.stdin.close()
            process.wait(PATIENCE_S)


@pytest.mark.slow
async def test_a_thousand_connections_leave_the_socket_and_the_viewers_alone(
    bench: Bench, tmp_path: Path
) -> None:
    path = tmp_path / "bench.sock"
    page = bench.page(socket_path=path)
    live = f"GET /api/live HTTP/1.1\nHost: localhost:{page.port}\n\n"

    def seen_of(raw: socket.socket) -> bytes:
        seen.extend(drain(raw))
        return bytes(seen)

    seen = bytearray()
    async with running(page), connected_raw(page, live) as viewer:
        await until(lambda: page.viewers == 1)
        before = open_files()
        with crowd(page.port):
            await until(lambda: open_files() > before + 300)
            page.push("beat", "still here")
            await until(lambda: b"still here" in seen_of(viewer))
            async with client_of("http://bench", socket_path=path) as client:
                assert (await client.get("/api/links")).status_code == 200
            # 400 at most, and what was just opened for this question.
            assert open_files() <= before + 405
        async with client_of(page.url) as client:
            await until_answered(client)


# ---- guesses


def test_a_guess_is_held_against_both_keys_in_constant_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keys = AccessKeys(tmp_path / "keys")
    compared: list[tuple[bytes, bytes]] = []
    compare = hmac.compare_digest

    def watched(given: bytes, kept: bytes) -> bool:
        compared.append((given, kept))
        return compare(given, kept)

    monkeypatch.setattr(hmac, "compare_digest", watched)
    both = {keys.token(role).encode() for role in (Role.READER, Role.OPERATOR)}
    for token in (keys.token(Role.READER), keys.token(Role.OPERATOR), "wrong", ""):
        compared.clear()
        keys.role_of_token(token)
        # Whatever is given, and whichever fits.
        assert {kept for _, kept in compared} == both
        assert {given for given, _ in compared} == {token.encode()}
    compared.clear()
    signature = keys.cookie(Role.OPERATOR).rpartition(".")[2]
    assert keys.role_of_cookie(f"operator.x.{signature}") is Role.NONE
    assert [given for given, _ in compared] == [signature.encode()]
