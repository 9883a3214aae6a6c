"""The page's HTTP server: one application, up to three listeners."""

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from daq.runtime.web.access import AccessKeys, EntryLimit, Role
from daq.runtime.web.answers import Links
from daq.runtime.web.calls import Desk
from daq.runtime.web.connections import Connection
from daq.runtime.web.describing import describe
from daq.runtime.web.face import Face
from daq.runtime.web.fanout import Fanout
from daq.runtime.web.files import static_routes
from daq.runtime.web.guard import Guard, refused
from daq.runtime.web.listeners import (
    Listener,
    ListenerKind,
    Share,
    listen_on_loopback,
    listen_on_network,
    listen_on_socket,
)
from daq.runtime.web.pending import Pending
from daq.runtime.web.routes import starlette_routes


class Page:
    """Serves the page until `stop`; readings and changes of the state are pushed to it.

    Attributes:
        routes: Every path that is served.
    """

    def __init__(
        self,
        *,
        face: Face,
        port: int,
        keys: AccessKeys,
        socket_path: Path | None = None,
        share: Share | None = None,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Listen at once, so that a port that is taken is known before anything starts.

        Args:
            face: The bench behind the page.
            port: On loopback; 0 takes a free one.
            keys: Of reader and operator.
            socket_path: For commands on this computer; None without.
            share: For the network; None without.
            now_s: Clock for counting attempts to enter [s].

        Raises:
            NetworkError: If a port or path is taken.
            InputError: If the certificate is no good.
        """
        self._keys = keys
        self._fanout = Fanout(face.state)
        self._pending = Pending()
        self._beside = ThreadPoolExecutor(1, thread_name_prefix="page-beside")
        self._descriptions: dict[Listener, str] = {}
        desk = Desk(
            face,
            keys,
            {kind: EntryLimit(now_s=now_s) for kind in ListenerKind},
            self._fanout,
            self._pending,
            self._beside,
            self._describe,
            self._links,
        )
        self.routes = [*static_routes(), *starlette_routes(desk)]
        application = _application(self.routes)
        with ExitStack() as opened:
            self._loopback = listen_on_loopback(port)
            self._listeners = [self._loopback]
            opened.callback(self.close)
            if share is not None:
                self._listeners.append(listen_on_network(share))
            self._shared = self._listeners[-1]
            if socket_path is not None:
                self._listeners.append(listen_on_socket(socket_path))
            opened.pop_all()
        self._servers = [
            _Server(Guard(application, listener), listener)
            for listener in self._listeners
        ]

    @property
    def port(self) -> int:
        """On loopback."""
        return self._loopback.port

    @property
    def url(self) -> str:
        """Where a browser on this computer finds the page."""
        return f"{self._loopback.origins[0]}/"

    @property
    def operator_link(self) -> str:
        """Makes whoever opens it the operator: over TLS from the network, else on this computer."""
        place = self._shared if self._shared.is_secure else self._loopback
        return f"{place.origins[0]}/#operate={self._keys.token(Role.OPERATOR)}"

    @property
    def reader_link(self) -> str:
        """Makes whoever opens it a reader; on the network where the page is shared."""
        return f"{self._shared.origins[0]}/#read={self._keys.token(Role.READER)}"

    @property
    def shared_url(self) -> str | None:
        """Where others on the network find the page; None where it is not shared."""
        is_shared = self._shared is not self._loopback
        return f"{self._shared.origins[0]}/" if is_shared else None

    @property
    def is_encrypted(self) -> bool:
        """Whether nobody on the network can read along."""
        return self._shared.is_secure

    @property
    def viewers(self) -> int:
        """Open live streams [1]."""
        return self._fanout.count

    async def run(self) -> None:
        """Serve until `stop` is called."""
        try:
            async with asyncio.TaskGroup() as serving:
                for server in self._servers:
                    serving.create_task(self._serve(server))
        finally:
            self.close()

    def stop(self) -> None:
        """End all streams and then the servers."""
        # A viewer that takes nothing any more is cut off in the end: that needs no traceback.
        logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)
        self._fanout.stop()
        self._pending.stop()
        for server in self._servers:
            server.should_exit = True

    def close(self) -> None:
        """Give ports and path back; after `run` they are already."""
        self._beside.shutdown(wait=False)
        for listener in self._listeners:
            listener.close()

    def push(self, event: str, data: str) -> None:
        """Send an event to every viewer."""
        self._fanout.push(event, data)

    def _links(self) -> Links:
        return Links(self.operator_link, self.reader_link)

    async def _serve(self, server: "_Server") -> None:
        sockets = [server.listener.socket]
        try:
            await server.serve(sockets=sockets)
        except asyncio.CancelledError:
            # Streams are tasks of the server's own: nobody else would end them.
            self.stop()
            if server.started:
                await server.shutdown(sockets)
            raise

    async def _describe(self, listener: Listener) -> str:
        if listener not in self._descriptions:
            # Takes tens of milliseconds, which no reading shall wait for.
            loop = asyncio.get_running_loop()
            self._descriptions[listener] = await loop.run_in_executor(
                self._beside, describe, listener
            )
        return self._descriptions[listener]


class _Server(uvicorn.Server):
    """Serves one listener."""

    def __init__(self, application: Guard, listener: Listener) -> None:
        config = uvicorn.Config(
            application,
            http=Connection,
            ws="none",
            log_config=None,
            # Below that the library tells of every malformed request, which anyone may send.
            log_level="error",
            access_log=False,
            lifespan="off",
            # Nobody forwards to this server: what says so would be made up.
            proxy_headers=False,
            server_header=False,
            timeout_graceful_shutdown=2,
        )
        config.load()
        config.ssl = listener.tls
        super().__init__(config)
        self.listener = listener

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave the signals to the service, which stops everything in order."""
        yield


def _application(routes: Sequence[Route]) -> Starlette:
    application = Starlette(
        routes=routes,
        exception_handlers={HTTPException: _not_served, Exception: _failed},
    )
    application.router.redirect_slashes = False
    return application


async def _not_served(request: Request, exc: Exception) -> Response:
    if not isinstance(exc, HTTPException):
        raise exc
    answer = refused(request.scope, exc.status_code, exc.detail.lower())
    answer.headers.update(exc.headers or {})
    return answer


async def _failed(request: Request, _exc: Exception) -> Response:
    """A fault of the program costs one request its answer; the library tells of it, and nothing else ends."""
    text = (
        "page: a fault in the program, its messages tell more; everything else goes on"
    )
    return refused(request.scope, 500, text)
