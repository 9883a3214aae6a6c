"""Reading and operating through the API."""

import json
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest

from daq.errors import OperationRefusedError, Refusal, StoreFailingError
from daq.operations import (
    Acknowledge,
    GoOn,
    Note,
    Operation,
    Pause,
    Relabel,
    Repeat,
    SameAsBefore,
    Skip,
    Start,
    Stop,
    Switched,
)
from tests.runtime.faces import (
    BROKEN_PLAN,
    FUNNEL,
    IDLE,
    PLAN,
    SESSION,
    STORED_TRIALS,
    TRACE,
    TRIAL_TRACE,
)
from tests.runtime.pages import Bench, enter, serving


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
async def operator(bench: Bench) -> AsyncIterator[httpx.AsyncClient]:
    """The page as the operator has it open."""
    page = bench.page()
    async with serving(page) as client:
        await enter(client, page.operator_link)
        yield client


# ---- reading


async def test_the_state_is_asked_for_anew_each_time(
    bench: Bench, operator: httpx.AsyncClient
) -> None:
    first = await operator.get("/api/state")
    bench.face.snapshot = IDLE
    second = await operator.get("/api/state")
    assert first.json()["session"]["number"] == 3
    assert second.json() == json.loads(IDLE.as_json())
    assert second.headers["cache-control"] == "no-store"


async def test_everything_that_the_bench_tells_is_handed_on(
    operator: httpx.AsyncClient,
) -> None:
    told: dict[str, dict[str, object]] = {
        "/api/trace": {"channels": TRACE},
        "/api/funnel": {"channels": FUNNEL},
        "/api/plans": {"plans": [PLAN, BROKEN_PLAN]},
        "/api/sessions": {"sessions": [SESSION]},
        "/api/sessions/1/trials/1/trace": TRIAL_TRACE,
    }
    for path, parts in told.items():
        reply = await operator.get(path)
        assert reply.json() == {"format": 1, **parts}
        assert reply.headers["cache-control"] == "no-store"
    stored = (await operator.get("/api/sessions/1")).json()
    assert stored["snapshot"]["stage"]["name"] == "stored"
    assert stored["trials"] == STORED_TRIALS


@pytest.mark.parametrize(
    "number", ["7", "0", "01", "-1", "1.0", "one", "٣", "9" * 16, "9" * 6000, "%31%00"]
)
async def test_what_is_not_in_the_store_is_not_found(
    operator: httpx.AsyncClient, number: str
) -> None:
    for path in (
        f"/api/sessions/{number}",
        f"/api/sessions/{number}/trials/1/trace",
        f"/api/sessions/1/trials/{number}/trace",
    ):
        reply = await operator.get(path)
        assert reply.status_code == 404
        assert set(reply.json()) == {"format", "text"}


async def test_methods_that_a_path_does_not_know_are_refused(
    operator: httpx.AsyncClient,
) -> None:
    known = {
        "/api/state": {"GET", "HEAD"},
        "/api/live": {"GET", "HEAD"},
        "/api/access": {"GET", "HEAD", "POST", "DELETE"},
        "/api/session/note": {"POST"},
    }
    every = {"GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "BREW"}
    for path, methods in known.items():
        for method in every - methods:
            reply = await operator.request(method, path, json={})
            # RFC 9110, 15.5.6: method not allowed; the reply names those that are.
            assert reply.status_code == 405
            assert set(reply.headers["allow"].split(", ")) == methods
            assert reply.json()["format"] == 1


async def test_a_store_that_cannot_be_read_is_told(
    bench: Bench,
    operator: httpx.AsyncClient,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    async def sessions() -> str:
        raise StoreFailingError("bench.db: disk I/O error")

    monkeypatch.setattr(bench.face, "sessions", sessions)
    reply = await operator.get("/api/sessions")
    assert reply.status_code == 503
    assert reply.json() == {"format": 1, "text": "bench.db: disk I/O error"}


# ---- operating


ASKED: list[tuple[str, dict[str, object], Operation]] = [
    ("start", {"plan": "leads"}, Start("leads")),
    ("start", {"plan": "leads", "new": True}, Start("leads", new=True)),
    (
        "start", {"plan": "leads", "same": {"machine": True, "meters": False, "room": True}},
        Start("leads", same=SameAsBefore(machine=True, meters=False, room=True)),
    ),
    ("start", {"plan": "leads", "new": False, "same": None}, Start("leads")),
    ("pause", {}, Pause()),
    ("go-on", {}, GoOn()),
    ("skip", {}, Skip()),
    ("skip", {"reason": "no such lead"}, Skip("no such lead")),
    ("repeat", {"position": 2}, Repeat(2)),
    # JSON Schema 2020-12, 6.1.1: a number without a fraction is an integer.
    ("repeat", {"position": 2.0}, Repeat(2)),
    ("repeat", {"position": 2, "instead_because": "door open"}, Repeat(2, "door open")),
    ("stop", {}, Stop()),
    (
        "relabel", {"trial": 1, "condition": "1.5 mm²", "reason": "wrong lead"},
        Relabel(1, "1.5 mm²", "wrong lead"),
    ),
    ("note", {"text": "  door\nopen "}, Note("door open")),
    ("acknowledge", {}, Acknowledge()),
    ("switched", {}, Switched()),
]  # fmt: skip


async def test_every_operation_reaches_the_bench_with_its_words(
    bench: Bench, operator: httpx.AsyncClient
) -> None:
    for word, body, _ in ASKED:
        reply = await operator.post(f"/api/session/{word}", json=body)
        assert (reply.status_code, reply.json()) == (
            200,
            {"format": 1, "text": bench.face.answer},
        )
    assert bench.face.operations == [(asked, "page") for _, _, asked in ASKED]


async def test_what_cannot_be_done_now_is_refused_in_words(
    bench: Bench, operator: httpx.AsyncClient
) -> None:
    text = "no session is running, start one first"
    bench.face.refusal = OperationRefusedError(Refusal.NO_SESSION, text)
    reply = await operator.post("/api/session/pause", json={})
    # RFC 9110, 15.5.10: conflict with the present state.
    assert reply.status_code == 409
    assert reply.json() == {"format": 1, "refused": "no-session", "text": text}


@pytest.mark.parametrize(
    ("word", "body", "words"),
    [
        ("start", "{}", "plan: is missing"),
        ("start", '{"plan": ""}', "plan: is empty, expected some text"),
        ("start", '{"plan": " \\u0000\\u2028 "}', "plan: is empty, expected some text"),
        ("start", '{"plan": 1}', "plan: "),
        ("start", '{"plan": "a", "new": 1}', "new: "),
        ("start", '{"plan": "a", "new": "true"}', "new: "),
        (
            "start",
            '{"plan": "a", "same": {"machine": true}}',
            "same.meters: is missing",
        ),
        ("note", '{"text": "a", "txet": "b"}', "txet: is unknown"),
        ("note", '{"text": "%s"}' % ("x" * 501), "text: "),
        ("repeat", '{"position": "2"}', "position: "),
        ("repeat", '{"position": 2.5}', "position: "),
        ("repeat", '{"position": 0}', "position: "),
        ("repeat", '{"position": 1e300}', "position: "),
        ("repeat", '{"position": Infinity}', ""),
        ("repeat", '{"position": 9007199254740992}', "position: "),
        ("repeat", '{"position": true}', "position: "),
        ("pause", '{"now": true}', "now: is unknown"),
        ("pause", "", "body: "),
        ("pause", "[]", "body: "),
        ("pause", "null", "body: "),
        ("pause", "{", "body: "),
        ("pause", "\xff", "body: "),
        ("note", '{"text": "\\ud800"}', "body: "),
        ("note", '{"text": NaN}', ""),
        ("note", "[" * 60_000, "body: "),
    ],
)
async def test_a_body_that_is_no_good_is_refused_by_its_key(
    bench: Bench, operator: httpx.AsyncClient, word: str, body: str, words: str
) -> None:
    reply = await operator.post(
        f"/api/session/{word}",
        content=body.encode("latin-1"),
        headers={"content-type": "application/json"},
    )
    # RFC 9110, 15.5.21: unprocessable content.
    assert reply.status_code == 422
    assert reply.json()["text"].startswith(words)
    assert set(reply.json()) == {"format", "text"}
    assert bench.face.operations == []


async def test_every_fault_of_a_body_is_told_but_not_without_end(
    operator: httpx.AsyncClient,
) -> None:
    reply = await operator.post("/api/session/relabel", json={"extra": 1})
    text = reply.json()["text"]
    for key in ("trial: is missing", "condition: is missing", "extra: is unknown"):
        assert key in text
    many = await operator.post(
        "/api/session/relabel", json={f"k{n}": 1 for n in range(5000)}
    )
    assert (many.status_code, len(many.text) < 1000) == (422, True)


@pytest.mark.parametrize(
    "kind",
    ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "", "application/jsonp"],
)  # fmt: skip
async def test_only_json_is_taken(
    bench: Bench, operator: httpx.AsyncClient, kind: str
) -> None:
    # These are what a page of elsewhere could send without asking first.
    reply = await operator.post(
        "/api/session/note", content='{"text": "x"}', headers={"content-type": kind}
    )
    # RFC 9110, 15.5.16: unsupported media type.
    assert reply.status_code == 415
    assert bench.face.operations == []


async def test_json_may_name_its_characters(
    bench: Bench, operator: httpx.AsyncClient
) -> None:
    reply = await operator.post(
        "/api/session/note",
        content='{"text": "größe"}'.encode(),
        headers={"content-type": "Application/JSON; charset=utf-8"},
    )
    assert reply.status_code == 200
    assert bench.face.operations == [(Note("größe"), "page")]
