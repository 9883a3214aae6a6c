"""The API asked for all that its own description allows, and for much that it forbids: it answers as described.

Without the operator's key nothing changes, whatever is asked.
"""

import asyncio
import contextlib
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import requests
from hypothesis import HealthCheck, given, settings
from schemathesis import Case, GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.core.result import Ok
from schemathesis.openapi import from_url
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from daq.errors import OperationRefusedError, Refusal
from daq.runtime.places import keys_path
from daq.runtime.web import Page
from daq.runtime.web.access import AccessKeys, Role
from tests.runtime.pages import Bench
from tests.system.page_session import ALIKE, BASELINE, Service, served

pytestmark = [pytest.mark.slow, pytest.mark.timeout(200)]

EXAMPLES = 6
TIMEOUT_S = 20.0
STREAM = "/api/live"
"""Left out: it has no end."""
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
REFUSED = {401, 403, 429}
bounded = settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
)


def fuzz(
    url: str, *, cookies: Callable[[], dict[str, str]] = dict
) -> dict[str, set[int]]:
    """Ask for everything in the description, as described and otherwise; every answer fits the description.

    Args:
        url: Of the page.
        cookies: Sent along, made anew for each request.

    Returns:
        Statuses of the answers, by method and path.
    """
    description = from_url(f"{url}api/openapi.json").exclude(path=STREAM)
    statuses: dict[str, set[int]] = {}
    with requests.Session() as session:
        # Nothing of this computer's surroundings: no proxy, no keys.
        session.trust_env = False

        def ask(case: Case) -> None:
            session.cookies.clear()
            reply = case.call(session=session, cookies=cookies(), timeout=TIMEOUT_S)
            name = f"{case.method} {case.operation.path}"
            statuses.setdefault(name, set()).add(reply.status_code)
            case.validate_response(reply, checks=CHECKS)

        for found in description.get_all_operations():
            assert isinstance(found, Ok)
            operation = found.ok()
            takes_something = operation.body or list(operation.iter_parameters())
            modes = list(GenerationMode) if takes_something else [GenerationMode.POSITIVE]  # fmt: skip
            for mode in modes:
                bounded(given(operation.as_strategy(generation_mode=mode))(ask))()
    return statuses


def changing(statuses: dict[str, set[int]]) -> set[int]:
    """Statuses of whatever could have changed something of the bench or of its keys."""
    asked = [
        found
        for name, found in statuses.items()
        if name.startswith("POST /api/session/") or name.endswith("/renew")
    ]
    assert len(asked) == 14
    return set().union(*asked)


@contextlib.contextmanager
def running(page: Page) -> Iterator[None]:
    """Serve a page in a thread of its own, for a client that waits for its answers."""
    thread = threading.Thread(target=lambda: asyncio.run(page.run()))
    thread.start()
    try:
        yield
    finally:
        page.stop()
        thread.join()


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_without_the_key_nothing_is_changed(bench: Bench) -> None:
    page = bench.page()
    links = page.operator_link, page.reader_link
    with running(page):
        statuses = fuzz(page.url)
    assert changing(statuses) <= REFUSED
    assert bench.face.operations == []
    assert (page.operator_link, page.reader_link) == links


def test_with_the_key_every_answer_is_as_described(bench: Bench) -> None:
    page = bench.page()

    def cookies() -> dict[str, str]:
        return {cookie_name_of(page.url): bench.keys.cookie(Role.OPERATOR)}

    with running(page):
        assert 200 in changing(fuzz(page.url, cookies=cookies))
        assert bench.face.operations
        bench.face.refusal = OperationRefusedError(Refusal.NO_SESSION, "no session")
        assert 409 in changing(fuzz(page.url, cookies=cookies))


def cookie_name_of(url: str) -> str:
    """As the description tells it."""
    answer = requests.get(f"{url}api/openapi.json", timeout=TIMEOUT_S)
    components = answer.json()["components"]
    return str(components["securitySchemes"]["entry"]["name"])


@pytest.mark.pty
def test_a_running_service_answers_all_of_it_and_stays_itself(tmp_path: Path) -> None:
    service = Service(tmp_path, BASELINE, ALIKE)
    with served(service):
        keys = keys_path(service.bench.store)
        before = keys.read_text()
        statuses = fuzz(service.url)
        assert changing(statuses) <= REFUSED
        assert keys.read_text() == before
        state = service.bench.state()
        assert state["session"] is None
        assert {"page" in event["text"] for event in state["events"]} == {False}

        name = cookie_name_of(service.url)
        service.operate("start", "outlets")
        statuses = fuzz(
            service.url,
            cookies=lambda: {name: AccessKeys(keys).cookie(Role.OPERATOR)},
        )
        assert changing(statuses) >= {200, 409, 422}
        service.bench.wait_for(lambda s: s["store"]["state"] == "ok")
    assert "Traceback" not in service.said
