"""One HTTP connection whose patience has an end: for a request's head, for a reader that takes nothing, for numbers.

The server library itself waits for ever for the first request, for the rest of a head, and for a peer that does not
take its answer. Every wait here ends by cutting the connection, which costs that one peer a new attempt.
"""

import asyncio
from collections.abc import Callable
from typing import Any

import h11
from uvicorn.config import Config
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

MOST_CONNECTIONS = 400
"""Of one listener: 200 viewers with some requests each, and far from the usual limit of 1024 open files."""

HEAD_S = 10.0
"""For the head of a request, from its first byte (of the first request: from the connection) [s]."""

STALLED_S = 20.0
"""For a peer to take some of what waits for it, once that is more than the usual 64 KiB [s]."""


class _Patience:
    """One wait that has an end."""

    def __init__(
        self, loop: asyncio.AbstractEventLoop, limit_s: float, cut: Callable[[], None]
    ) -> None:
        self._loop = loop
        self._limit_s = limit_s
        self._cut = cut
        self._timer: asyncio.TimerHandle | None = None

    def begin(self) -> None:
        """Begin to wait; a wait that has begun goes on."""
        if self._timer is None:
            self._timer = self._loop.call_later(self._limit_s, self._cut)

    def end(self) -> None:
        """What was waited for is there."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


class Connection(H11Protocol):
    """Reachable for the application as `scope["state"]["connection"]`.

    Attributes:
        on_lost: Called once, when the connection is gone.
    """

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
    ) -> None:
        super().__init__(config, server_state, {**app_state, "connection": self}, _loop)
        self.on_lost: Callable[[], None] | None = None
        self._head = _Patience(self.loop, HEAD_S, self._cut)
        self._reader = _Patience(self.loop, STALLED_S, self._cut)

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in the library
        """Begin, unless there are too many already."""
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            self._cut()
        else:
            self._head.begin()

    def data_received(self, data: bytes) -> None:
        """Take bytes; the head that they begin must end in time."""
        super().data_received(data)
        # The library makes a new cycle as soon as a head is complete; until the first there is none.
        if getattr(self.cycle, "response_complete", True):
            self._head.begin()
        else:
            self._head.end()

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no request; one whose body turned out to be none has its answer by that, or had it before."""
        try:
            super().send_400_response(msg)
        except h11.LocalProtocolError:
            # It was answered before what follows turned out to be no body, or is owed a head only (HEAD).
            self.transport.close()
        cycle = getattr(self, "cycle", None)
        if cycle is not None and not cycle.response_complete:
            cycle.disconnected = True
            cycle.message_event.set()

    def pause_writing(self) -> None:
        """The peer is behind."""
        super().pause_writing()
        self._reader.begin()

    def resume_writing(self) -> None:
        """The peer has caught up."""
        self._reader.end()
        super().resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        """End all waits."""
        self._head.end()
        self._reader.end()
        super().connection_lost(exc)
        if self.on_lost is not None:
            self.on_lost()

    def _cut(self) -> None:
        self.transport.abort()
