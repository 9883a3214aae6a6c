"""The way to a broker, which can be spoilt: the service dials here, and what it says is passed on, late, or never.

Runs in a thread of its own, so that it goes on while a campaign waits. A connection that was made or open while the gate swallows is dead for ever,
also after the gate has been mended: nothing tells the service so, and it must dial anew by itself.
"""

import asyncio
import socket
import threading
from collections.abc import Coroutine
from enum import Enum, auto
from typing import Any

HOST = "127.0.0.1"
SLOW_S = 0.3
"""Each way, when it is slow."""
_CHUNK = 65536
_WITHIN_S = 10.0


class Way(Enum):
    """How the gate is."""

    OPEN = auto()
    REFUSING = auto()
    ABSENT = auto()
    SWALLOWING = auto()
    SLOW = auto()


def free_port() -> int:
    """A TCP port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


class Gate:
    """Listens on `port` and passes on to another one.

    Attributes:
        slowed: Pieces that were held back while it was slow [1].
    """

    def __init__(self, to_port: int) -> None:
        self.slowed = 0
        self.port = free_port()
        self._to_port = to_port
        self._way = Way.REFUSING
        self._server: asyncio.Server | None = None
        self._absent: list[socket.socket] = []
        self._links: dict[asyncio.StreamWriter, bool] = {}
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self.be(Way.OPEN)

    def be(self, way: Way) -> None:
        """Change, and return once it has."""
        self._do(self._change(way))

    def close(self) -> None:
        """Nobody listens any more."""
        self.be(Way.REFUSING)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(_WITHIN_S)
        self._loop.close()

    def _do(self, work: Coroutine[Any, Any, None]) -> None:
        asyncio.run_coroutine_threadsafe(work, self._loop).result(_WITHIN_S)

    async def _change(self, way: Way) -> None:
        self._way = way
        for each in self._absent:
            each.close()
        self._absent = []
        if way in {Way.REFUSING, Way.ABSENT}:
            await self._stop_listening()
        elif self._server is None:
            self._server = await asyncio.start_server(self._pass_on, HOST, self.port)
        if way is Way.SWALLOWING:
            self._links = dict.fromkeys(self._links, True)
        if way is Way.ABSENT:
            self._absent = _unanswering(self.port)

    async def _stop_listening(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for writer in tuple(self._links):
            writer.transport.abort()
        await asyncio.sleep(0.01)  # the links' own tasks see it and end

    async def _pass_on(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self._links[writer] = self._way is Way.SWALLOWING
        onward: asyncio.StreamWriter | None = None
        try:
            far, onward = await asyncio.open_connection(HOST, self._to_port)
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._carry(reader, onward, link=writer))
                tasks.create_task(self._carry(far, writer, link=writer))
        except* OSError:
            pass  # either end is gone, and so is the link
        finally:
            del self._links[writer]
            for each in (writer, onward):
                if each is not None:
                    each.transport.abort()

    async def _carry(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        *,
        link: asyncio.StreamWriter,
    ) -> None:
        while data := await reader.read(_CHUNK):
            if self._way is Way.SLOW:
                self.slowed += 1
                await asyncio.sleep(SLOW_S)
            if not self._links[link]:
                writer.write(data)
                await writer.drain()
        msg = "this end was closed"
        raise ConnectionResetError(msg)


def _unanswering(port: int) -> list[socket.socket]:
    """A port whose queue of callers is full: further calls are dropped without a word, as if no such host were there."""
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind((HOST, port))
    listener.listen(0)
    callers = [listener]
    for _ in range(2):
        caller = socket.socket()
        caller.setblocking(False)  # noqa: FBT003 - the library's own
        caller.connect_ex((HOST, port))
        callers.append(caller)
    return callers
