"""HTTP server of the live page."""

import asyncio
import contextlib
import logging
import socket
from collections.abc import Callable, Iterator
from importlib import resources
from importlib.resources.abc import Traversable

import uvicorn
from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from daq.errors import NetworkError
from daq.runtime.web.fanout import Fanout

_LOOPBACK = "127.0.0.1"
_BACKLOG = 128
_SECURITY = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
}
_MEDIA_TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript"}


class Page:
    """Serves the page until `stop`; readings and snapshots are pushed to it."""

    def __init__(
        self, *, port: int, snapshot: Callable[[], str], trace: Callable[[], str]
    ) -> None:
        """Bind the port at once, so that a port that is taken is known before anything starts.

        Args:
            port: 0 takes a free one.
            snapshot: Gives the state as JSON.
            trace: Gives recent readings as JSON.

        Raises:
            NetworkError: If the port is taken.
        """
        self._snapshot = snapshot
        self._trace = trace
        self._fanout = Fanout()
        self._socket = _bound(port)
        self.port: int = self._socket.getsockname()[1]
        config = uvicorn.Config(
            _OnlyLocal(self._application(), self.port),
            log_config=None,
            log_level="warning",
            access_log=False,
            lifespan="off",
            timeout_graceful_shutdown=2,
        )
        self._server = _Server(config)

    @property
    def url(self) -> str:
        """Where a browser on this computer finds the page."""
        return f"http://{_LOOPBACK}:{self.port}/"

    @property
    def viewers(self) -> int:
        """Open live streams [1]."""
        return self._fanout.count

    async def run(self) -> None:
        """Serve until `stop` is called."""
        try:
            await self._server.serve(sockets=[self._socket])
        except asyncio.CancelledError:
            # Streams are tasks of the server's own: nobody else would end them.
            self.stop()
            if self._server.started:
                await self._server.shutdown([self._socket])
            raise
        finally:
            self._socket.close()

    def stop(self) -> None:
        """End all streams and then the server."""
        # A viewer that takes nothing any more is cut off in the end: that needs no traceback.
        logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)
        self._fanout.stop()
        self._server.should_exit = True

    def close(self) -> None:
        """Give the port back; after `run` it is already."""
        self._socket.close()

    def push(self, event: str, data: str) -> None:
        """Send an event to every viewer."""
        self._fanout.push(event, data)

    def _application(self) -> Starlette:
        static = resources.files("daq.runtime.web") / "static"
        charts = resources.files("youplot") / "vendor"
        files = {f"/{item.name}": item for item in static.iterdir()}
        files["/"] = files.pop("/index.html")
        files["/uplot.js"] = charts / "uplot.iife.min.js"
        files["/uplot.css"] = charts / "uplot.min.css"
        routes = [Route(path, _file_endpoint(item)) for path, item in files.items()]
        routes += [
            Route("/api/state", self._state),
            Route("/api/trace", self._recent),
            Route("/api/live", self._live),
        ]
        return Starlette(routes=routes)

    async def _state(self, _request: Request) -> Response:
        return _json(self._snapshot())

    async def _recent(self, _request: Request) -> Response:
        return _json(self._trace())

    async def _live(self, _request: Request) -> Response:
        first = f"event: state\ndata: {self._snapshot()}\n\n".encode()
        return StreamingResponse(
            self._fanout.stream(first),
            media_type="text/event-stream",
            headers={"cache-control": "no-store"},
        )


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave the signals to the daemon, which stops everything in order."""
        yield


class _OnlyLocal:
    """Refuses requests for another host name (DNS rebinding) and adds the security headers."""

    def __init__(self, application: ASGIApp, port: int) -> None:
        self._application = application
        self._hosts = {f"{name}:{port}" for name in (_LOOPBACK, "localhost")}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        host = dict(scope.get("headers", [])).get(b"host", b"").decode("latin-1")
        if scope["type"] == "http" and host not in self._hosts:
            await PlainTextResponse("unknown host\n", status_code=421)(
                scope, receive, send
            )
            return

        async def send_secured(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _SECURITY.items():
                    headers[name] = value
            await send(message)

        await self._application(scope, receive, send_secured)


def _bound(port: int) -> socket.socket:
    # Only with the protocol named does the event loop send small frames at once (TCP_NODELAY): 40 ms a piece.
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((_LOOPBACK, port))
        # Two sockets that may be reused can be bound to one port: only listening makes it ours.
        listener.listen(_BACKLOG)
    except OSError as exc:
        listener.close()
        msg = f"page port {port}: another program has it, set [page] port to another one or to 0 for a free one"
        raise NetworkError(msg) from exc
    return listener


def _json(text: str) -> Response:
    return Response(
        text, media_type="application/json", headers={"cache-control": "no-store"}
    )


def _file_endpoint(item: Traversable) -> Callable[[Request], Response]:
    body = item.read_bytes()
    media_type = next(
        kind for suffix, kind in _MEDIA_TYPES.items() if item.name.endswith(suffix)
    )

    def serve(_request: Request) -> Response:
        return Response(
            body, media_type=media_type, headers={"cache-control": "no-cache"}
        )

    return serve


def is_free(port: int) -> bool:
    """Whether the page could have this port."""
    try:
        _bound(port).close()
    except NetworkError:
        return False
    return True
