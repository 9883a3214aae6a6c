"""Server-sent events to any number of viewers, none of whom can hold up the bench or another viewer.

A frame is encoded once and handed straight to the connections, some of them at a time: between two slices the event
loop gets back to its timers and ports. No frame is ever left out, since a state comes in parts: a viewer that is too
far behind is cut off, dials again and begins with the whole state.
"""

import asyncio
from collections import deque
from collections.abc import Callable

from starlette.types import Receive, Scope, Send

from daq.runtime.web.connections import Connection

_SLICE = 16
_MOST_BEHIND_BYTES = 256 * 1024
_HEADERS = [
    (b"content-type", b"text/event-stream; charset=utf-8"),
    (b"cache-control", b"no-store"),
]


class Frames:
    """Events in the two forms that go over a wire."""

    def __init__(self, events: bytes) -> None:
        self.plain = events
        # RFC 9112, 7.1: one chunk.
        self.chunk = b"%x\r\n%b\r\n" % (len(events), events)


class Viewer:
    """One open stream; what waits for it is bounded."""

    def __init__(
        self, connection: Connection, *, chunked: bool, entitled: Callable[[], bool]
    ) -> None:
        self.ended = asyncio.Event()
        self.entitled = entitled
        self._transport = connection.transport
        self._chunked = chunked
        connection.on_lost = self.ended.set

    def write(self, frames: Frames) -> None:
        """Hand over events; cut off whoever is too far behind."""
        if self.ended.is_set() or self._transport.is_closing():
            return
        if self._transport.get_write_buffer_size() > _MOST_BEHIND_BYTES:
            self._transport.abort()
        else:
            self._transport.write(frames.chunk if self._chunked else frames.plain)

    def end(self) -> None:
        """End in good order, or at once where the viewer takes nothing."""
        if self._transport.get_write_buffer_size():
            self._transport.abort()
        else:
            self.ended.set()


class Fanout:
    """All open streams."""

    def __init__(self) -> None:
        self._viewers: dict[Viewer, None] = {}
        self._stopped = False
        self._pending: list[bytes] = []
        self._frames = Frames(b"")
        self._unserved: deque[Viewer] = deque()
        self._turn: asyncio.Handle | None = None

    @property
    def count(self) -> int:
        """Open streams [1]."""
        return len(self._viewers)

    def push(self, event: str, data: str) -> None:
        """Send one event to everybody, from the next turn of the event loop on."""
        if not self._viewers:
            return
        self._pending.append(frame(event, data))
        self._ask_for_turn()

    def end_unentitled(self) -> None:
        """End the streams of those who may not read any more."""
        for viewer in self._viewers:
            if not viewer.entitled():
                viewer.end()

    def stop(self) -> None:
        """End all streams, so that the server can stop."""
        self._stopped = True
        if self._turn is not None:
            self._turn.cancel()
        # What was pushed last is often what a session ends with.
        while self._unserved or self._pending:
            self._serve_slice()
        for viewer in self._viewers:
            viewer.end()

    async def follow(self, viewer: Viewer, first: Callable[[], str]) -> None:
        """Serve one viewer, beginning with the whole state, until it leaves or the page stops."""
        if self._stopped:
            return
        # No await in between: what is pushed from now on comes after the state.
        viewer.write(Frames(b"retry: 1000\n\n" + frame("state", first())))
        self._viewers[viewer] = None
        try:
            await viewer.ended.wait()
        finally:
            del self._viewers[viewer]

    def _take_turn(self) -> None:
        self._turn = None
        self._serve_slice()
        self._ask_for_turn()

    def _ask_for_turn(self) -> None:
        if self._turn is None and (self._unserved or self._pending):
            self._turn = asyncio.get_running_loop().call_soon(self._take_turn)

    def _serve_slice(self) -> None:
        if not self._unserved:
            self._frames = Frames(b"".join(self._pending))
            self._pending.clear()
            self._unserved.extend(self._viewers)
        for _ in range(min(_SLICE, len(self._unserved))):
            self._unserved.popleft().write(self._frames)


class LiveStream:
    """The answer to a request for the stream."""

    def __init__(
        self,
        fanout: Fanout,
        *,
        first: Callable[[], str],
        entitled: Callable[[], bool],
    ) -> None:
        self._fanout = fanout
        self._first = first
        self._entitled = entitled

    async def __call__(self, scope: Scope, _receive: Receive, send: Send) -> None:
        """Answer one request, for as long as it takes."""
        await send({"type": "http.response.start", "status": 200, "headers": _HEADERS})
        if scope["method"] != "HEAD":
            viewer = Viewer(
                scope["state"]["connection"],
                chunked=scope["http_version"] == "1.1",
                entitled=self._entitled,
            )
            await self._fanout.follow(viewer, self._first)
        await send({"type": "http.response.body", "body": b""})


def frame(event: str, data: str) -> bytes:
    """One event in the form of the HTML standard, 9.2.6; `data` is one line."""
    return f"event: {event}\ndata: {data}\n\n".encode()
