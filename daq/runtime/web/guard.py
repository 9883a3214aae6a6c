"""The door of one listener: whose requests get in, how large they may be, and what every answer carries.

A request that two readers could take for two different ones is refused before anything else is asked of it: where its
body ends, and who sent it, must be said once. Against a page of elsewhere that talks to this one through somebody's browser: a request must name this listener (DNS
rebinding), and one that could change something must come from a page of this listener. On the Unix socket there is no
browser and no name. Knows no route and no role.
"""

import asyncio
from collections import Counter

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from daq.runtime.web.answers import MOST_BODY_BYTES, Trouble, json_response
from daq.runtime.web.listeners import Listener, ListenerKind

BODY_S = 10.0
"""For the whole body of a request [s]."""

# Of all methods these two alone are anywhere in the table of routes, and could change something.
CHANGING_METHODS = ("POST", "DELETE")
_SAME_SITE = (None, "same-origin", "none")
_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
}


class RefusalError(Exception):
    """Why a request is not let in; the text is for the one who sent it."""

    def __init__(self, status: int, text: str) -> None:
        self.status = status
        super().__init__(text)


class Guard:
    """One listener's way into the application, which finds `listener` and `body` in `scope["state"]`."""

    def __init__(self, application: ASGIApp, listener: Listener) -> None:
        self._application = application
        self._listener = listener
        self._headers = dict(_HEADERS)
        if listener.is_secure:
            # Browsers heed it on trustworthy origins only, and complain elsewhere.
            self._headers["cross-origin-opener-policy"] = "same-origin"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        send = self._secured(scope["path"], send)
        try:
            _check_said_once(scope)
            self._check_origin(scope)
            body = await self._body(scope, receive)
        except RefusalError as refusal:
            answer = refused(scope, refusal.status, str(refusal))
            if refusal.status in (400, 408, 413):
                # What is left of the body is not read: the connection cannot be used again.
                answer.headers["connection"] = "close"
            await answer(scope, receive, send)
            return
        if body is not None:
            scope["state"]["listener"] = self._listener
            scope["state"]["body"] = body
            await self._application(scope, receive, send)

    def _check_origin(self, scope: Scope) -> None:
        if self._listener.kind is ListenerKind.SOCKET:
            return
        headers = Headers(scope=scope)
        if headers.get("host", "").lower() not in self._listener.hosts:
            # RFC 9110, 15.5.20: misdirected request.
            raise RefusalError(421, "host: is not the name of this page")
        site = headers.get("sec-fetch-site")
        if scope["method"] in CHANGING_METHODS:
            if headers.get("origin") not in self._listener.origins:
                msg = f"origin: is not this page, expected {self._listener.origins[0]}"
                raise RefusalError(403, msg)
            if site not in (None, "same-origin"):
                raise RefusalError(
                    403, "sec-fetch-site: the request comes from elsewhere"
                )
        elif scope["path"].startswith("/api/") and site not in _SAME_SITE:
            raise RefusalError(403, "sec-fetch-site: the request comes from elsewhere")

    async def _body(self, scope: Scope, receive: Receive) -> bytes | None:
        """The whole body; None where the client has gone. Nobody reads bodies of requests that change nothing."""
        if scope["method"] not in CHANGING_METHODS:
            return b""
        announced = Headers(scope=scope).get("content-length", "0")
        if len(announced) > 9 or int(announced) > _MOST_DISCARDED_BYTES:
            raise RefusalError(413, _TOO_LARGE)
        try:
            async with asyncio.timeout(BODY_S):
                return await _whole(receive)
        except TimeoutError as exc:
            msg = f"body: is not complete after {BODY_S:g} s"
            raise RefusalError(408, msg) from exc

    def _secured(self, path: str, send: Send) -> Send:
        async def send_secured(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers[name] = value
                if path.startswith("/api/"):
                    headers["cache-control"] = "no-store"
            await send(message)

        return send_secured


# The library refuses a second host, and puts equal lengths together.
_SAID_ONCE = ("transfer-encoding", "origin", "sec-fetch-site", "content-type")


def _check_said_once(scope: Scope) -> None:
    """RFC 9112, 6.1 and 6.3: a body with two ends is how one request is smuggled inside another."""
    given = Counter(Headers(scope=scope).keys())
    if twice := [name for name in _SAID_ONCE if given[name] > 1]:
        raise RefusalError(400, f"{twice[0]}: is there twice, expected it once")
    if not given["transfer-encoding"]:
        return
    if given["content-length"]:
        msg = "content-length: is there beside transfer-encoding, expected one of them"
        raise RefusalError(400, msg)
    if scope["http_version"] != "1.1":
        msg = f"transfer-encoding: is unknown to HTTP/{scope['http_version']}, expected content-length"
        raise RefusalError(400, msg)


# Whoever sends somewhat too much gets to read why: a connection closed on what still comes would be reset.
_MOST_DISCARDED_BYTES = 16 * MOST_BODY_BYTES
_TOO_LARGE = f"body: is too large, expected at most {MOST_BODY_BYTES} bytes"


async def _whole(receive: Receive) -> bytes | None:
    body, taken_bytes = bytearray(), 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return None
        taken_bytes += len(message["body"])
        if taken_bytes <= MOST_BODY_BYTES:
            body += message["body"]
        if not message["more_body"] or taken_bytes > _MOST_DISCARDED_BYTES:
            break
    if taken_bytes > MOST_BODY_BYTES:
        raise RefusalError(413, _TOO_LARGE)
    return bytes(body)


def refused(scope: Scope, status: int, text: str) -> Response:
    """The answer to what is not served: JSON below /api/, plain text elsewhere."""
    if scope["path"].startswith("/api/"):
        return json_response(Trouble(text), status=status)
    return PlainTextResponse(f"{text}\n", status_code=status)
