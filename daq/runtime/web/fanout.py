"""Server-sent events to any number of viewers, none of whom can hold up the bench or another viewer.

A frame is encoded once and handed straight to the connections, some of them at a time: between two slices the event
loop gets back to its timers and ports. No frame is ever left out, since a state comes in parts: a viewer that is too
far behind is cut off, dials again and begins with the whole state.

A viewer begins with the state of its own moment, while the parts that are pushed next are told against the state that was
pushed last: what has changed in between and changes back would be told to nobody. So with its first push it gets the whole.
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
        self.is_new = True
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


class _Distribution:
    """Events on their way, in two forms: as they were pushed, and with the whole state before its parts for who is new."""

    def __init__(self) -> None:
        self._events: list[bytes] = []
        self._with_whole: list[bytes] = []
        self._has_whole = False
        self._frames: list[Frames] = []

    def __bool__(self) -> bool:
        return bool(self._events)

    def add(self, event: bytes, whole: bytes | None) -> None:
        """Take one more event."""
        self._events.append(event)
        self._with_whole += [event] if whole is None else [whole, event]
        self._has_whole |= whole is not None

    def seal(self) -> None:
        """There are no more events."""
        self._frames = [Frames(b"".join(self._events))]
        if self._has_whole:
            self._frames.append(Frames(b"".join(self._with_whole)))

    def give(self, viewer: Viewer) -> None:
        """Hand it to one viewer."""
        is_whole = viewer.is_new and self._has_whole
        viewer.write(self._frames[is_whole])
        if is_whole:
            viewer.is_new = False


class Fanout:
    """All open streams."""

    def __init__(self, whole: Callable[[], str]) -> None:
        """With what tells the whole state."""
        self._whole = whole
        self._state: str | None = None
        self._viewers: dict[Viewer, None] = {}
        self._stopped = False
        self._pending = _Distribution()
        self._served = _Distribution()
        self._unserved: deque[Viewer] = deque()
        self._turn: asyncio.Handle | None = None

    @property
    def count(self) -> int:
        """Open streams [1]."""
        return len(self._viewers)

    def state(self) -> str:
        """The whole state; made once for all who ask in the same turn of the event loop."""
        if self._state is None:
            self._state = self._whole()
            asyncio.get_running_loop().call_soon(self._forget_state)
        return self._state

    def push(self, event: str, data: str) -> None:
        """Send one event to everybody, from the next turn of the event loop on."""
        # Whoever begins after this must find it in the state.
        self._forget_state()
        if not self._viewers:
            return
        is_for_new = event == "state" and any(v.is_new for v in self._viewers)
        # At this very moment, for it is what the next parts are told against.
        whole = frame(event, self.state()) if is_for_new else None
        self._pending.add(frame(event, data), whole)
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

    async def follow(self, viewer: Viewer) -> None:
        """Serve one viewer, beginning with the whole state, until it leaves or the page stops."""
        if self._stopped:
            return
        # No await in between: what is pushed from now on comes after the state.
        viewer.write(Frames(b"retry: 1000\n\n" + frame("state", self.state())))
        self._viewers[viewer] = None
        try:
            await viewer.ended.wait()
        finally:
            del self._viewers[viewer]

    def _forget_state(self) -> None:
        self._state = None

    def _take_turn(self) -> None:
        self._turn = None
        self._serve_slice()
        self._ask_for_turn()

    def _ask_for_turn(self) -> None:
        if self._turn is None and (self._unserved or self._pending):
            self._turn = asyncio.get_running_loop().call_soon(self._take_turn)

    def _serve_slice(self) -> None:
        if not self._unserved:
            self._served, self._pending = self._pending, _Distribution()
            self._served.seal()
            self._unserved.extend(self._viewers)
        for _ in range(min(_SLICE, len(self._unserved))):
            self._served.give(self._unserved.popleft())


class LiveStream:
    """The answer to a request for the stream."""

    def __init__(
        self,
        fanout: Fanout,
        *,
        entitled: Callable[[], bool],
    ) -> None:
        self._fanout = fanout
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
            await self._fanout.follow(viewer)
        await send({"type": "http.response.body", "body": b""})


def frame(event: str, data: str) -> bytes:
    """One event in the form of the HTML standard, 9.2.6; `data` is one line."""
    return f"event: {event}\ndata: {data}\n\n".encode()
