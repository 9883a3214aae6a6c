"""The OpenAPI 3.1 description of the API, made from the table of routes and the records that its answers are made of."""

import json
from collections.abc import Iterator, Mapping
from http import HTTPStatus
from typing import Any

from pydantic import TypeAdapter
from pydantic.json_schema import JsonSchemaMode, models_json_schema

from daq.runtime.snapshot import Snapshot
from daq.runtime.web.answers import (
    BeatEvent,
    FunnelEvent,
    ReadingEvent,
    Refused,
    Trouble,
)
from daq.runtime.web.bodies import LARGEST_NUMBER
from daq.runtime.web.calls import cookie_name, operator, reader
from daq.runtime.web.listeners import Listener, ListenerKind
from daq.runtime.web.routes import ROUTES, ApiRoute

_SCHEMAS = "#/components/schemas/"
_EVENTS: Mapping[str, type] = {
    "state": Snapshot,
    "reading": ReadingEvent,
    "beat": BeatEvent,
    "funnel": FunnelEvent,
}
_ABOUT = (
    "Everything that the page shows and does. Reading on this computer needs nothing; from the network it needs the "
    "reader's token, operating the operator's; both are exchanged for a cookie by POST /api/access. On the Unix socket "
    "everything is open to the user whom it belongs to. A request that could change something carries the page's own "
    "Origin, except on the Unix socket."
)
_ABOUT_STREAM = (
    "Server-sent events; the data of each is one JSON text, see x-events. `state` comes whole first, then in the "
    "top-level parts that have changed. A viewer that is too far behind is cut off, and dials again."
)


def describe(listener: Listener) -> str:
    """The description as one listener's callers need it: its origin, the name of its cookie."""
    paths: dict[str, dict[str, Any]] = {}
    for route in ROUTES:
        paths.setdefault(route.path, {})[route.method.lower()] = _operation(
            route, listener
        )
    origins = listener.origins or ("http://localhost",)
    description = {
        "openapi": "3.1.0",
        "info": {
            "title": "Bench page",
            "version": "1",
            "description": _ABOUT,
        },
        "servers": [{"url": origins[0]}],
        "paths": paths,
        "components": {"schemas": _schemas(), **_security(listener)},
    }
    return json.dumps(description)


def _security(listener: Listener) -> dict[str, object]:
    if listener.kind is ListenerKind.SOCKET:
        return {}
    scheme = {"type": "apiKey", "in": "cookie", "name": cookie_name(listener)}
    return {"securitySchemes": {"entry": scheme}}


def _operation(route: ApiRoute, listener: Listener) -> dict[str, object]:
    described: dict[str, object] = {
        "summary": route.summary,
        "operationId": _identity(route),
        "responses": _responses(route, listener),
    }
    if parameters := list(_parameters(route, listener)):
        described["parameters"] = parameters
    if route.body is not None:
        content = {"application/json": {"schema": _ref(route.body)}}
        described["requestBody"] = {"required": True, "content": content}
    if _needs_cookie(route, listener):
        described["security"] = [{"entry": []}]
    return described


def _identity(route: ApiRoute) -> str:
    words = route.path.removeprefix("/api/").replace("{", "").replace("}", "")
    return f"{route.method.lower()}-{words.replace('/', '-')}"


def _needs_cookie(route: ApiRoute, listener: Listener) -> bool:
    if route.right is reader:
        return listener.kind is ListenerKind.NETWORK
    return route.right is operator and listener.kind is not ListenerKind.SOCKET


def _parameters(route: ApiRoute, listener: Listener) -> Iterator[dict[str, object]]:
    for part in route.path.split("/"):
        if part.startswith("{"):
            schema = {"type": "integer", "minimum": 1, "maximum": LARGEST_NUMBER}
            yield {"name": part[1:-1], "in": "path", "required": True, "schema": schema}
    if route.method != "GET" and listener.origins:
        origin = {"type": "string", "enum": list(listener.origins)}
        yield {"name": "Origin", "in": "header", "required": True, "schema": origin}


def _responses(route: ApiRoute, listener: Listener) -> dict[str, object]:
    responses: dict[str, object] = {"200": _success(route)}
    for status in sorted(_troubles(route, listener)):
        schema = Refused if status == 409 else Trouble
        answer = _answer(HTTPStatus(status).phrase, _ref(schema))
        if status == 429:
            seconds = {"type": "integer", "minimum": 1}
            answer["headers"] = {"Retry-After": {"required": True, "schema": seconds}}
        responses[str(status)] = answer
    return responses


def _troubles(route: ApiRoute, listener: Listener) -> set[int]:
    troubles = set(route.troubles)
    if listener.kind is not ListenerKind.SOCKET:
        troubles |= {403, 421}
    if _needs_cookie(route, listener):
        troubles.add(401)
    if route.method != "GET":
        troubles |= {408, 413}
    if route.body is not None:
        troubles |= {415, 422}
    return troubles


def _success(route: ApiRoute) -> dict[str, object]:
    if route.answer is not None:
        return _answer(route.summary, _ref(route.answer))
    if route.path.endswith("/live"):
        content = {"text/event-stream": {"schema": {"type": "string"}}}
        events = {name: _ref(record) for name, record in _EVENTS.items()}
        return {"description": _ABOUT_STREAM, "content": content, "x-events": events}
    return _answer(route.summary, {"type": "object"})


def _answer(words: str, schema: Mapping[str, object]) -> dict[str, object]:
    return {
        "description": words,
        "content": {"application/json": {"schema": schema}},
    }


def _ref(record: type) -> dict[str, object]:
    return {"$ref": f"{_SCHEMAS}{record.__name__}"}


def _schemas() -> dict[str, object]:
    template = f"{_SCHEMAS}{{model}}"
    answers = {route.answer for route in ROUTES if route.answer is not None}
    answers |= {*_EVENTS.values(), Refused, Trouble}
    mode: JsonSchemaMode = "serialization"
    _, answered = TypeAdapter.json_schemas(
        [
            (record.__name__, mode, TypeAdapter(record))
            for record in sorted(answers, key=lambda record: record.__name__)
        ],
        ref_template=template,
    )
    bodies = [route.body for route in ROUTES if route.body is not None]
    _, taken = models_json_schema(
        [(body, "validation") for body in dict.fromkeys(bodies)], ref_template=template
    )
    return {**answered["$defs"], **taken["$defs"]}
