"""The description fits the API: every route is in it, and every answer is as described."""

import copy
import json
import re
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import httpx
import jsonschema
import pytest

from daq.errors import OperationRefusedError, Refusal, StoreFailingError
from daq.runtime.web import Page, Share
from daq.runtime.web.answers import (
    BeatEvent,
    FunnelEvent,
    ReadingEvent,
)
from daq.runtime.web.guard import CHANGING_METHODS
from daq.runtime.web.routes import ROUTES
from tests.runtime.faces import IDLE
from tests.runtime.pages import NETWORK, Bench, client_of, enter, running, serving

BODIES = {
    "post-access": {"token": "?"},
    "post-access-renew": {"role": "reader"},
    "post-session-start": {"plan": "leads", "same": {"machine": True, "meters": True, "room": True}},
    "post-session-repeat": {"position": 1},
    "post-session-relabel": {"trial": 1, "condition": "long lead", "reason": "wrong lead"},
    "post-session-note": {"text": "door open"},
    "post-session-reading": {"channel": "velocity", "text": "12.3"},
    "post-session-cannot-read": {"channel": "velocity"},
    "post-session-take-back": {"channel": "velocity", "at_s": 1234.5},
}  # fmt: skip
STREAM = "/api/live"


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def page(bench: Bench) -> Page:
    return bench.page()


@pytest.fixture
async def operator(page: Page) -> AsyncIterator[httpx.AsyncClient]:
    async with serving(page) as client:
        await enter(client, page.operator_link)
        yield client


@pytest.fixture
async def description(operator: httpx.AsyncClient) -> dict[str, Any]:
    return (await operator.get("/api/openapi.json")).json()


def operations(
    description: dict[str, Any],
) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, methods in description["paths"].items():
        for method, operation in methods.items():
            yield method.upper(), path, operation


def strict(description: dict[str, Any]) -> dict[str, Any]:
    """The same, but a key that is not described is a fault."""
    closed = copy.deepcopy(description)
    for schema in closed["components"]["schemas"].values():
        if "properties" in schema:
            schema["additionalProperties"] = False
    return closed


def check_answer(
    description: dict[str, Any], operation: dict[str, Any], reply: httpx.Response
) -> None:
    """Hold one real answer against the description."""
    described = operation["responses"][str(reply.status_code)]
    kind = reply.headers["content-type"]
    content = described["content"][kind.partition(";")[0]]
    components = strict(description)["components"]
    schema = {**content["schema"], "components": components}
    jsonschema.Draft202012Validator(schema).validate(reply.json())
    for name, header in described.get("headers", {}).items():
        assert header["required"]
        assert name in reply.headers


async def ask(
    client: httpx.AsyncClient,
    description: dict[str, Any],
    *,
    numbers: int = 1,
    content: bytes | None = None,
) -> dict[str, int]:
    """Ask once for everything but the stream; gives the status of each answer, which fits the description."""
    statuses = {}
    for method, path, operation in operations(description):
        if path == STREAM:
            continue
        name = operation["operationId"]
        body = (
            json.dumps(BODIES.get(name, {})).encode()
            if "requestBody" in operation
            else b""
        )
        reply = await client.request(
            method,
            re.sub(r"\{\w+\}", str(numbers), path),
            content=body if content is None or not body else content,
            headers={"content-type": "application/json"} if body else {},
        )
        check_answer(description, operation, reply)
        statuses[name] = reply.status_code
    return statuses


def test_every_route_is_described_and_nothing_else_is(
    page: Page, description: dict[str, Any]
) -> None:
    served = {
        (method, route.path)
        for route in page.routes
        if route.path.startswith("/api/")
        for method in getattr(route.endpoint, "methods", ())
    }
    described = {(method, path) for method, path, _ in operations(description)}
    assert described == served == {(route.method, route.path) for route in ROUTES}


def test_the_guard_minds_every_method_that_could_change_something() -> None:
    assert {route.method for route in ROUTES} == {"GET", *CHANGING_METHODS}


def test_the_description_keeps_to_its_own_rules(description: dict[str, Any]) -> None:
    assert re.fullmatch(r"3\.1\.\d", description["openapi"])
    schemas = description["components"]["schemas"]
    for schema in schemas.values():
        jsonschema.Draft202012Validator.check_schema(schema)
    referred = set(re.findall(r'"#/components/schemas/(\w+)"', json.dumps(description)))
    assert referred == set(schemas)
    names = [operation["operationId"] for _, _, operation in operations(description)]
    assert len(names) == len(set(names))
    for _, path, operation in operations(description):
        in_path = {
            p["name"] for p in operation.get("parameters", []) if p["in"] == "path"
        }
        assert in_path == set(re.findall(r"\{(\w+)\}", path))
        assert operation["summary"]


def test_the_bounds_of_what_is_taken_are_described(
    description: dict[str, Any],
) -> None:
    schemas = description["components"]["schemas"]
    position = schemas["RepeatBody"]["properties"]["position"]
    # RFC 8259, 6: integers up to 2**53 - 1 are exact in every program.
    assert (position["minimum"], position["maximum"]) == (1, 9007199254740991)
    text = schemas["NoteBody"]["properties"]["text"]
    assert (text["minLength"], text["maxLength"]) == (1, 500)
    assert re.search(text["pattern"], "x")
    assert not re.search(text["pattern"], " \x00\u2028")
    assert all(
        schema["additionalProperties"] is False
        for name, schema in schemas.items()
        if name.endswith("Body")
    )


@pytest.mark.slow
async def test_real_answers_fit_the_description(
    bench: Bench, operator: httpx.AsyncClient, description: dict[str, Any]
) -> None:
    statuses = await ask(operator, description)
    assert statuses.pop("post-access") == 401
    # It comes before those that need the operator's cookie, which it clears.
    assert statuses["delete-access"] == 200
    bench.face.snapshot = IDLE
    state = await operator.get("/api/state")
    check_answer(description, description["paths"]["/api/state"]["get"], state)


@pytest.mark.parametrize("snapshot", [IDLE, None])
async def test_the_state_fits_its_schema_idle_and_running(
    bench: Bench,
    operator: httpx.AsyncClient,
    description: dict[str, Any],
    snapshot: object,
) -> None:
    if snapshot is not None:
        bench.face.snapshot = IDLE
    reply = await operator.get("/api/state")
    check_answer(description, description["paths"]["/api/state"]["get"], reply)


async def test_refusals_fit_the_description(
    bench: Bench,
    operator: httpx.AsyncClient,
    description: dict[str, Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    get = description["paths"]
    missing = await operator.get("/api/sessions/99")
    check_answer(description, get["/api/sessions/{session}"]["get"], missing)
    bench.face.refusal = OperationRefusedError(
        Refusal.NO_SESSION, "no session is running"
    )
    refused = await operator.post("/api/session/stop", json={})
    check_answer(description, get["/api/session/stop"]["post"], refused)

    async def failing() -> str:
        raise StoreFailingError("bench.db: disk I/O error")

    monkeypatch.setattr(bench.face, "plans", failing)
    check_answer(
        description, get["/api/plans"]["get"], await operator.get("/api/plans")
    )
    note = get["/api/session/note"]["post"]
    for content, kind in ((b"{}", "application/json"), (b"{}", "text/plain"), (b" " * 70_000, "application/json")):  # fmt: skip
        reply = await operator.post(
            "/api/session/note", content=content, headers={"content-type": kind}
        )
        check_answer(description, note, reply)
    for headers in ({"origin": "http://bench.example"}, {"host": "bench.example"}):
        reply = await operator.post(
            "/api/session/note", json={"text": "x"}, headers=headers
        )
        check_answer(description, note, reply)
    entered = []
    for _ in range(11):
        reply = await operator.post("/api/access", json={"token": "?"})
        check_answer(description, get["/api/access"]["post"], reply)
        entered.append(reply.status_code)
    assert entered[-1] == 429


@pytest.mark.slow
async def test_without_a_token_refusals_fit_and_nothing_changes(
    bench: Bench, page: Page
) -> None:
    link = page.operator_link, page.reader_link
    async with serving(page) as client:
        description = (await client.get("/api/openapi.json")).json()
        statuses = await ask(client, description)
    changing = {name for name in statuses if name.startswith("post-")}
    assert {statuses[name] for name in changing} == {401}
    assert bench.face.operations == []
    assert (page.operator_link, page.reader_link) == link


@pytest.mark.slow
async def test_over_plain_http_from_the_network_refusals_fit(bench: Bench) -> None:
    page = bench.page(share=Share(NETWORK, 0))
    async with running(page), client_of(page.reader_link) as client:
        description = (await client.get("/api/openapi.json")).json()
        assert description["servers"] == [{"url": page.reader_link.partition("/#")[0]}]
        statuses = await ask(client, description)
        assert statuses["get-state"] == 401
        assert statuses["post-session-note"] == 403
        await enter(client, page.reader_link)
        assert (await ask(client, description))["get-state"] == 200
    assert bench.face.operations == []


@pytest.mark.slow
async def test_on_the_socket_nothing_is_asked_for(bench: Bench, tmp_path: Path) -> None:
    path = tmp_path / "bench.sock"
    page = bench.page(socket_path=path)
    async with (
        running(page),
        client_of("http://bench", socket_path=path) as client,
    ):
        description = (await client.get("/api/openapi.json")).json()
        statuses = await ask(client, description)
    assert statuses.pop("post-access") == 401
    assert set(statuses.values()) == {200}
    assert "securitySchemes" not in description["components"]
    assert "Origin" not in json.dumps(description["paths"])


async def test_the_cookie_is_described_by_the_name_that_it_has(
    page: Page, operator: httpx.AsyncClient, description: dict[str, Any]
) -> None:
    scheme = description["components"]["securitySchemes"]["entry"]
    assert (scheme["type"], scheme["in"]) == ("apiKey", "cookie")
    assert list(operator.cookies) == [scheme["name"]]
    needing = {
        path
        for _, path, operation in operations(description)
        if "security" in operation
    }
    assert needing == {
        route.path for route in ROUTES if route.path.startswith("/api/session/")
    } | {"/api/access/renew"}
    assert page.url == f"{description['servers'][0]['url']}/"


@pytest.mark.parametrize(
    ("name", "event"),
    [
        ("reading", ReadingEvent("meter", 1.0, {"power": 2.0, "flow": None})),
        ("beat", BeatEvent(1.0)),
        ("funnel", FunnelEvent("power", 14.0, 1.0, None, 2.0)),
    ],
)
def test_the_events_of_the_stream_are_described(
    description: dict[str, Any], name: str, event: object
) -> None:
    described = description["paths"][STREAM]["get"]["responses"]["200"]["x-events"]
    assert set(described) == {"state", "reading", "beat", "funnel"}
    fields = {key: getattr(event, key) for key in event.__slots__}  # type: ignore[attr-defined]  # the records have slots
    schema = {**described[name], "components": strict(description)["components"]}
    jsonschema.Draft202012Validator(schema).validate(fields)
