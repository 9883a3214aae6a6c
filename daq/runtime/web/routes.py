"""The one table of the API: what is served, whom it needs, what goes in and out; the description is made from it."""

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from starlette.requests import Request
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from daq.errors import StoreError
from daq.operations import Acknowledge, GoOn, Operation, Pause, Stop, Switched
from daq.runtime.snapshot import Snapshot
from daq.runtime.web import api, entry
from daq.runtime.web.answers import (
    Access,
    Done,
    Funnel,
    Links,
    Plans,
    Sessions,
    StoredSession,
    Trace,
    TrialTrace,
)
from daq.runtime.web.bodies import (
    LARGEST_NUMBER,
    Body,
    CannotReadBody,
    EmptyBody,
    NoteBody,
    OperationBody,
    ReadingBody,
    RelabelBody,
    RenewBody,
    RepeatBody,
    SkipBody,
    StartBody,
    TakeBackBody,
    TokenBody,
)
from daq.runtime.web.calls import (
    Call,
    Desk,
    Right,
    anybody,
    cookie_in,
    on_socket,
    operator,
    reader,
)
from daq.runtime.web.guard import RefusalError, refused


@dataclass(frozen=True, slots=True)
class ApiRoute:
    """One method of one path.

    Attributes:
        right: What the caller must be allowed.
        answer: Record of the answer's form; None for the stream and the description.
        body: Model of the request's body; None without one.
        troubles: HTTP statuses of its own that it may answer with.
    """

    method: str
    path: str
    summary: str
    handler: api.Handler
    right: Right
    answer: type | None
    body: type[Body] | None = None
    troubles: tuple[int, ...] = ()


def _get(
    path: str,
    summary: str,
    handler: api.Handler,
    answer: type | None,
    *troubles: int,
    right: Right = reader,
) -> ApiRoute:
    return ApiRoute(
        "GET", f"/api/{path}", summary, handler, right, answer, troubles=troubles
    )


def _entry(
    method: str,
    path: str,
    summary: str,
    handler: api.Handler,
    answer: type,
    *troubles: int,
    body: type[Body] | None = None,
    right: Right = anybody,
) -> ApiRoute:
    return ApiRoute(
        method, f"/api/{path}", summary, handler, right, answer, body, troubles
    )


def _asks(word: str, summary: str, model: type[OperationBody]) -> ApiRoute:
    return _operating(word, summary, api.operates(model), model)


def _asks_plainly(word: str, summary: str, operation: Operation) -> ApiRoute:
    handler = api.operates_without_words(operation)
    return _operating(word, summary, handler, EmptyBody)


def _operating(
    word: str, summary: str, handler: api.Handler, body: type[Body]
) -> ApiRoute:
    path = f"/api/session/{word}"
    return ApiRoute("POST", path, summary, handler, operator, Done, body, (409, 503))


_SESSION = "sessions/{session}"
ROUTES: tuple[ApiRoute, ...] = (
    _get("state", "The whole state of the bench", api.state, Snapshot),
    _get("trace", "Recent readings of every channel", api.trace, Trace, 503),
    _get("funnel", "How the trial in hand comes to settle", api.funnel, Funnel, 503),
    _get("live", "State, readings and funnel as they come", api.live, None),
    _get("plans", "Plans that a session can be started with", api.plans, Plans, 503),
    _get("sessions", "Stored sessions, newest first", api.sessions, Sessions, 503),
    _get(_SESSION, "A stored session", api.session, StoredSession, 404, 503),
    _get(f"{_SESSION}/trials/{{trial}}/trace", "Readings of a stored trial", api.trial_trace, TrialTrace, 404, 503),
    _get("openapi.json", "This description", api.description, None, right=anybody),
    _entry("GET", "access", "What the one who asks may do here", entry.tell_access, Access),
    _entry("POST", "access", "Exchange the token of a link for a cookie", entry.enter, Access, 401, 429, body=TokenBody),
    _entry("DELETE", "access", "Leave: clear the cookie", entry.leave, Access),
    _get("links", "Links to the page with their keys; over the Unix socket only", entry.links, Links, 403, right=on_socket),
    _entry("POST", "access/renew", "Make every link and cookie of a role void", entry.renew, Done, 503, body=RenewBody, right=operator),
    _asks("start", "Begin the session of a plan, or take up its unfinished one", StartBody),
    _asks_plainly("pause", "Begin no further trial until told to go on", Pause()),
    _asks_plainly("go-on", "End the pause", GoOn()),
    _asks("skip", "Leave out the line that is called for", SkipBody),
    _asks("repeat", "Call once more for the condition of a line", RepeatBody),
    _asks_plainly("stop", "Leave the session as it stands", Stop()),
    _asks("relabel", "An ended trial was made under another condition", RelabelBody),
    _asks("note", "Keep a note with the session", NoteBody),
    _asks_plainly("acknowledge", "The machine may run on", Acknowledge()),
    _asks_plainly("switched", "The machine was switched by hand", Switched()),
    _asks("reading", "A reading that was asked for, as it was typed", ReadingBody),
    _asks("cannot-read", "The reading that was asked for cannot be had now", CannotReadBody),
    _asks("take-back", "A typed reading of the trial in hand was wrong and shall not count", TakeBackBody),
)  # fmt: skip

_NUMBER = re.compile(r"[1-9][0-9]{0,15}", re.ASCII)


def starlette_routes(desk: Desk) -> list[Route]:
    """The table as the server's library takes it: one endpoint a path."""
    by_path: dict[str, list[ApiRoute]] = defaultdict(list)
    for route in ROUTES:
        by_path[route.path].append(route)
    return [Route(path, _Endpoint(routes, desk)) for path, routes in by_path.items()]


class _Endpoint:
    """All methods of one path.

    Attributes:
        methods: Those of the table.
    """

    def __init__(self, routes: Sequence[ApiRoute], desk: Desk) -> None:
        self._by_method = {route.method: route for route in routes}
        self.methods = tuple(self._by_method)
        if "GET" in self._by_method:
            self._by_method["HEAD"] = self._by_method["GET"]
        self._desk = desk

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        answer = await self._answer(Request(scope))
        await answer(scope, receive, send)

    async def _answer(self, request: Request) -> ASGIApp:
        route = self._by_method.get(request.method)
        if route is None:
            answer = refused(request.scope, 405, f"method {request.method}: not here")
            answer.headers["allow"] = ", ".join(self._by_method)
            return answer
        try:
            call = _call(request)
            route.right(self._desk, call)
            if route.body is not None:
                _check_content_type(request)
            return await route.handler(self._desk, call)
        except RefusalError as refusal:
            return refused(request.scope, refusal.status, str(refusal))
        except StoreError as exc:
            return refused(request.scope, 503, str(exc))
        except ValueError as exc:
            return refused(request.scope, 422, str(exc))


def _call(request: Request) -> Call:
    listener = request.scope["state"]["listener"]
    return Call(
        listener,
        request.scope["state"]["connection"],
        address="" if request.client is None else request.client.host,
        cookie=cookie_in(request.headers.getlist("cookie"), listener),
        body=request.scope["state"]["body"],
        numbers=tuple(
            _number(name, text) for name, text in request.path_params.items()
        ),
    )


def _number(name: str, text: str) -> int:
    if not _NUMBER.fullmatch(text) or int(text) > LARGEST_NUMBER:
        raise RefusalError(404, f"{name}: is no number of one")
    return int(text)


def _check_content_type(request: Request) -> None:
    kind = request.headers.get("content-type", "").partition(";")[0]
    if kind.strip().lower() != "application/json":
        raise RefusalError(415, "content-type: is not application/json")
