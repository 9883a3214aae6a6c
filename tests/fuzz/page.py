"""Target: bytes that anyone may send to the page's port, through the server's own connection, without a socket.

The request is bytes as they are, but for marks that stand for what only a browser of this page would know: host, origin,
cookies, tokens. What the service does and answers is checked: without the operator's key nothing is done, an answer is
never a fault of the program, every header is a header, and nothing of a request is left once its connection is gone.
"""

import asyncio
import atexit
import logging
import re
import tempfile
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import Any, cast

from uvicorn.server import ServerState

from daq.operations import LONGEST_TEXT
from daq.runtime.web import AccessKeys, Page
from daq.runtime.web.access import Role
from daq.runtime.web.connections import Connection
from tests.fuzz.payloads import is_harmless
from tests.runtime.faces import FakeFace

_MANY = re.compile(rb"~(.)([1-5])", re.DOTALL)
_CHUNK = b"\x0e"
_SHOWN = b"Drying blower"
_STATUS = re.compile(rb"(?:\A|(?<=\n|\}))HTTP/1\.1 (\d{3}) ")
_HEADER = re.compile(rb"[!-9;-~]+: ?[\t -~\x80-\xff]*")
_TURNS = 40
_LAST_TURNS = 400
_BETWEEN_INPUTS_S = 3600.0
_LARGEST_ANSWER = 1_000_000


class _Transport:
    """Takes what the server writes."""

    def __init__(self) -> None:
        self.written = b""
        self._is_closing = False

    def write(self, data: bytes) -> None:
        if not self._is_closing:
            self.written += data

    def close(self) -> None:
        self._is_closing = True

    abort = close

    def is_closing(self) -> bool:
        return self._is_closing

    def get_extra_info(self, name: str, default: object = None) -> object:
        known = {"peername": ("127.0.0.1", 50_000), "sockname": ("127.0.0.1", 80)}
        return known.get(name, default)

    def get_write_buffer_size(self) -> int:
        return 0

    def pause_reading(self) -> None:
        """Nothing comes by itself anyway."""

    resume_reading = pause_reading

    def set_write_buffer_limits(self, high: int | None = None) -> None:
        """Nothing waits."""


class _Faults(logging.Handler):
    """Keeps what the server library tells of faults, which otherwise only end a connection."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.told: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.told.append(self.format(record))


class _Bench:
    """One page for all inputs: only its keys, its clock and the face's memory last from one to the next."""

    def __init__(self) -> None:
        folder = tempfile.TemporaryDirectory(prefix="fuzzed-page-")
        atexit.register(folder.cleanup)
        self.loop = asyncio.new_event_loop()
        self.face = FakeFace()
        self.keys = AccessKeys(Path(folder.name) / "keys")
        self._now_s = 0.0
        self.page = Page(
            face=self.face, port=0, keys=self.keys, now_s=lambda: self._now_s
        )
        atexit.register(self.page.close)
        self._config = self.page._servers[0].config
        self.faults = _Faults()
        logging.getLogger("uvicorn.error").addHandler(self.faults)
        logging.getLogger("asyncio").addHandler(self.faults)

    def expanded(self, script: bytes) -> bytes:
        """The script with what its marks stand for."""
        port = str(self.page.port).encode()
        marks = {
            b"\x01": b"localhost:" + port,
            b"\x02": b"http://localhost:" + port,
            b"\x03": b"bench-%b=%b" % (port, self.keys.cookie(Role.OPERATOR).encode()),
            b"\x04": self.keys.token(Role.READER).encode(),
            b"\x05": self.keys.token(Role.OPERATOR).encode(),
            b"\x06": b"\r\n",
        }
        text = _MANY.sub(lambda match: match[1] * 10 ** int(match[2]), script)
        for mark, meaning in marks.items():
            text = text.replace(mark, meaning)
        return text

    def answer(self, data: bytes) -> bytes:
        """What comes back for these bytes, cut where the script says so."""
        self._now_s += _BETWEEN_INPUTS_S
        self.face.operations.clear()
        self.faults.told.clear()
        return self.loop.run_until_complete(self._answer(data))

    async def _answer(self, data: bytes) -> bytes:
        state, transport = ServerState(), _Transport()
        connection = Connection(self._config, state, {}, self.loop)
        connection.connection_made(cast("Any", transport))
        for chunk in data.split(_CHUNK):
            # No bytes would mean the end, which an event loop tells in another way.
            if chunk and not transport.is_closing():
                connection.data_received(chunk)
            await _turns(state, _TURNS)
        connection.connection_lost(None)
        await _turns(state, _LAST_TURNS)
        if state.tasks:
            # Those whose answer comes from a thread; nothing else may be left.
            await asyncio.wait(state.tasks, timeout=5.0)
        assert not state.tasks, "a request outlives its connection"
        return transport.written


async def _turns(state: ServerState, count: int) -> None:
    """Let the loop run until nothing is going on, or this often."""
    for _ in range(count):
        await asyncio.sleep(0)
        if not state.tasks:
            return


@cache
def _bench() -> _Bench:
    return _Bench()


def page(script: bytes) -> None:
    """Requests as they may come."""
    bench = _bench()
    data = bench.expanded(script)
    answered = bench.answer(data)
    assert not bench.faults.told, bench.faults.told[0]
    _check_answers(answered)
    host = f"localhost:{bench.page.port}".encode()
    is_named = any(each in data.lower() for each in (host, host.replace(b"localhost", b"127.0.0.1")))  # fmt: skip
    assert is_named or _SHOWN not in answered, "told to whoever calls it another name"
    has_key = b"\x03" in script and b"\x02" in script
    for operation, way in bench.face.operations:
        assert has_key, f"{operation} without the operator's key"
        assert way == "page"
        texts = (getattr(operation, each.name) for each in fields(operation))
        for text in (each for each in texts if isinstance(each, str)):
            assert is_harmless(text)
            assert len(text) <= LONGEST_TEXT


def _check_answers(answered: bytes) -> None:
    """Each begins with a status that is not the program's fault, has whole headers, and those that every answer has."""
    if not answered:
        return
    assert answered.startswith(b"HTTP/1.1 "), answered[:80]
    assert len(answered) <= _LARGEST_ANSWER
    for match in _STATUS.finditer(answered):
        head, end, _ = answered[match.start() :].partition(b"\r\n\r\n")
        assert end, f"a head without its end: {head[:200]!r}"
        status, headers = int(match[1]), head.split(b"\r\n")[1:]
        assert 100 <= status < 600
        assert status != 500, "a fault of the program"
        for header in headers:
            assert _HEADER.fullmatch(header), header
        # What is no request at all the library refuses by itself.
        if status not in (100, 400):
            assert b"x-content-type-options: nosniff" in headers
