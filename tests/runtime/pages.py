"""A page served for a test, those who look at it, and a certificate for it."""

import asyncio
import contextlib
import shutil
import socket
import ssl
import subprocess
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from daq.runtime.web import AccessKeys, Page, Share
from tests.runtime.faces import FakeFace
from tests.runtime.waiting import until

PATIENCE_S = 20.0
OPENSSL = shutil.which("openssl")
NETWORK = "127.0.0.2"
"""Another address of the same machine (RFC 1122, 3.2.1.3: all of 127/8 is loopback), which plays the network's."""


@dataclass
class Bench:
    """A page with everything behind it."""

    folder: Path
    face: FakeFace = field(default_factory=FakeFace)
    now_s: float = 0.0

    @property
    def keys(self) -> AccessKeys:
        """As another program would read them."""
        return AccessKeys(self.folder / "keys")

    def page(
        self,
        *,
        port: int = 0,
        share: Share | None = None,
        socket_path: Path | None = None,
    ) -> Page:
        return Page(
            face=self.face,
            port=port,
            keys=self.keys,
            socket_path=socket_path,
            share=share,
            now_s=lambda: self.now_s,
        )


@contextlib.asynccontextmanager
async def running(page: Page) -> AsyncIterator[None]:
    """Serve a page while this lasts."""
    async with asyncio.timeout(PATIENCE_S), asyncio.TaskGroup() as tasks:
        tasks.create_task(page.run())
        try:
            yield
        finally:
            page.stop()


@contextlib.asynccontextmanager
async def serving(page: Page) -> AsyncIterator[httpx.AsyncClient]:
    """Serve a page while this lasts; gives a client that talks to it like its own script, and asks no proxy."""
    async with running(page), client_of(page.url) as client:
        yield client


def client_of(
    link: str, *, trusts: Path | None = None, socket_path: Path | None = None
) -> httpx.AsyncClient:
    """A browser that has opened a link: it sends the origin of its page."""
    url = httpx.URL(link)
    origin = f"{url.scheme}://{url.netloc.decode()}"
    context = ssl.create_default_context(cafile=trusts) if trusts else False
    transport = httpx.AsyncHTTPTransport(
        verify=context, uds=None if socket_path is None else str(socket_path)
    )
    headers = {} if socket_path else {"origin": origin}
    return httpx.AsyncClient(
        base_url=origin, headers=headers, transport=transport, trust_env=False
    )


def token_in(link: str) -> str:
    """What the page takes out of a link's fragment."""
    return httpx.URL(link).fragment.partition("=")[2]


async def enter(client: httpx.AsyncClient, link: str) -> httpx.Response:
    """Exchange a link's token for a cookie."""
    return await client.post("/api/access", json={"token": token_in(link)})


async def events(response: httpx.Response) -> AsyncIterator[tuple[str, str]]:
    """Event names and data of a stream, in the form of the HTML standard, 9.2.6."""
    name = data = ""
    async for line in response.aiter_lines():
        field_name, _, value = line.partition(": ")
        if field_name == "event":
            name = value
        elif field_name == "data":
            data = value
        elif not line and name:
            yield name, data
            name = data = ""


@contextlib.asynccontextmanager
async def connected(
    page: Page, request: str, *, receive_bytes: int | None = None
) -> AsyncIterator[asyncio.StreamReader]:
    """A connection of its own, with a request written by hand; `\\n` ends its lines."""
    raw = socket.socket()
    if receive_bytes is not None:
        raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
    raw.connect(("127.0.0.1", page.port))
    reader, writer = await asyncio.open_connection(sock=raw, limit=1024)
    writer.write(request.replace("\n", "\r\n").encode("latin-1"))
    try:
        yield reader
    finally:
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()


@contextlib.asynccontextmanager
async def connected_raw(page: Page, request: str) -> AsyncIterator[socket.socket]:
    """As `connected`, but what arrives is left in the system's buffer until `drain` takes it."""
    with socket.create_connection(("127.0.0.1", page.port)) as raw:
        raw.settimeout(0.0)
        raw.sendall(request.replace("\n", "\r\n").encode("latin-1"))
        yield raw


def drain(raw: socket.socket) -> bytes:
    """What has arrived."""
    with contextlib.suppress(BlockingIOError):
        return raw.recv(2**20)
    return b""


def is_cut(raw: socket.socket) -> bool:
    """Whether the server has ended the connection, once all that has arrived is taken."""
    try:
        return raw.recv(2**20) == b""
    except BlockingIOError:
        return False
    except ConnectionError:
        return True


@contextlib.asynccontextmanager
async def stalled_viewer(page: Page) -> AsyncIterator[asyncio.StreamReader]:
    """A viewer that asks for the stream and then takes nothing."""
    before = page.viewers
    request = f"GET /api/live HTTP/1.1\nHost: localhost:{page.port}\n\n"
    async with connected(page, request, receive_bytes=4096) as reader:
        await until(lambda: page.viewers == before + 1)
        yield reader


async def rest_of(reader: asyncio.StreamReader) -> bytes:
    """Everything until the server ends or cuts the connection."""
    received = b""
    with contextlib.suppress(ConnectionError):
        while part := await reader.read(2**16):
            received += part
    return received


def make_certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate for the network's address that is its own authority, and its key."""
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    command: list[str | Path] = [
        OPENSSL or "openssl", "req", "-x509", "-nodes", "-days", "2", "-subj", "/CN=bench",
        "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
        "-addext", f"subjectAltName=IP:{NETWORK}", "-keyout", key, "-out", certificate,
    ]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=PATIENCE_S)
    return certificate, key
