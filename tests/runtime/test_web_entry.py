"""Coming in by a link, and what each role may do on each listener."""

import asyncio
import errno
import os
import re
from pathlib import Path

import httpx
import pytest

from daq.errors import NetworkError
from daq.operations import Note
from daq.runtime.web import Page, Share
from daq.runtime.web.access import Role
from tests.runtime.pages import (
    NETWORK,
    OPENSSL,
    Bench,
    client_of,
    enter,
    events,
    make_certificate,
    running,
    serving,
    token_in,
)
from tests.runtime.waiting import until

NEEDS_OPENSSL = pytest.mark.skipif(OPENSSL is None, reason="no openssl program")
READING = ("/api/state", "/api/trace", "/api/funnel", "/api/plans", "/api/sessions", "/api/sessions/1")  # fmt: skip


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def shared(bench: Bench) -> Page:
    """On the network over plain HTTP."""
    return bench.page(share=Share(NETWORK, 0))


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return make_certificate(tmp_path_factory.mktemp("certificate"))


async def note(client: httpx.AsyncClient) -> int:
    return (await client.post("/api/session/note", json={"text": "x"})).status_code


# ---- loopback


async def test_on_this_computer_everybody_reads_and_nobody_operates(
    bench: Bench,
) -> None:
    async with serving(bench.page()) as client:
        assert [(await client.get(p)).status_code for p in READING] == [200] * 6
        assert await note(client) == 401
        access = (await client.get("/api/access")).json()
    assert access == {
        "format": 1, "role": "none", "may_operate": False, "listener": "loopback", "secure": True, "notice": "",
    }  # fmt: skip
    assert bench.face.operations == []


async def test_the_operators_link_makes_an_operator(bench: Bench) -> None:
    page = bench.page()
    assert re.fullmatch(
        rf"http://127\.0\.0\.1:{page.port}/#operate=[\w-]{{43}}", page.operator_link
    )
    async with serving(page) as client:
        entered = await enter(client, page.operator_link)
        assert entered.status_code == 200
        assert entered.json() == (await client.get("/api/access")).json()
        assert entered.json()["may_operate"] is True
        assert await note(client) == 200
    assert bench.face.operations == [(Note("x"), "page")]


async def test_a_cookie_is_out_of_reach_of_scripts_and_other_sites(
    bench: Bench,
) -> None:
    page = bench.page()
    async with serving(page) as client:
        entered = await enter(client, page.operator_link)
    name_value, *attributes = entered.headers["set-cookie"].split("; ")
    # Cookies do not keep ports apart (RFC 6265, 8.5): the name has to.
    assert name_value.startswith(f"bench-{page.port}=operator.")
    assert {"HttpOnly", "SameSite=strict", "Path=/"} < set(attributes)
    assert not any(each.lower().startswith("domain") for each in attributes)
    assert token_in(page.operator_link) not in str(entered.headers) + entered.text


async def test_a_reader_does_not_operate(bench: Bench) -> None:
    page = bench.page()
    async with serving(page) as client:
        entered = await enter(client, page.reader_link)
        assert entered.json()["role"] == "reader"
        assert await note(client) == 401
        renewed = await client.post("/api/access/renew", json={"role": "operator"})
        assert renewed.status_code == 401
    assert bench.face.operations == []


@pytest.mark.parametrize("token", ["", "x", "é" * 10, "A" * 43])
async def test_a_wrong_token_opens_nothing(bench: Bench, token: str) -> None:
    async with serving(bench.page()) as client:
        reply = await client.post("/api/access", json={"token": token})
        assert (reply.status_code, "set-cookie" in reply.headers) == (401, False)
        assert await note(client) == 401


async def test_whoever_leaves_is_out(bench: Bench) -> None:
    page = bench.page()
    async with serving(page) as client:
        await enter(client, page.operator_link)
        left = await client.delete("/api/access")
        assert (left.status_code, left.json()["role"]) == (200, "none")
        assert dict(client.cookies) == {}
        assert await note(client) == 401


async def test_attempts_are_counted_and_told_when_to_come_again(bench: Bench) -> None:
    page = bench.page()
    async with serving(page) as client:
        for _ in range(10):
            reply = await client.post("/api/access", json={"token": "guess"})
            assert reply.status_code == 401
        bench.now_s = 20.5
        reply = await enter(client, page.operator_link)
        # RFC 9110, 10.2.3: whole seconds, and not too early.
        assert (reply.status_code, reply.headers["retry-after"]) == (429, "40")
        assert "wait 40 s" in reply.json()["text"]
        bench.now_s = 60.5
        assert (await enter(client, page.operator_link)).status_code == 200


@pytest.mark.slow
async def test_attempts_at_one_door_shut_nobody_out_at_another(
    shared: Page,
) -> None:
    async with (
        running(shared),
        client_of(shared.reader_link) as stranger,
        client_of(shared.url) as operator,
    ):
        statuses = [
            (await stranger.post("/api/access", json={"token": "x"})).status_code
            for _ in range(11)
        ]
        assert statuses == [401] * 10 + [429]
        # Both have one address here: it is the door that tells them apart.
        for _ in range(9):
            await operator.post("/api/access", json={"token": "x"})
        assert (await enter(operator, shared.operator_link)).status_code == 200
        assert await note(operator) == 200


# ---- network without TLS


async def test_on_the_network_nobody_reads_without_a_token(shared: Page) -> None:
    async with running(shared), client_of(shared.reader_link) as client:
        for path in (*READING, "/api/live"):
            reply = await client.get(path)
            assert (reply.status_code, "blower" in reply.text) == (401, False)
        # The page itself must come, or it could not take the token out of its link.
        assert (await client.get("/")).status_code == 200
        access = (await client.get("/api/access")).json()
    assert (access["role"], access["listener"], access["secure"]) == (
        "none",
        "network",
        False,
    )
    assert "reader's link" in access["notice"]
    assert shared.viewers == 0


async def test_the_readers_link_makes_a_reader_who_is_told_that_others_see_it_too(
    bench: Bench, shared: Page
) -> None:
    assert re.fullmatch(rf"http://{NETWORK}:\d+/#read=[\w-]{{43}}", shared.reader_link)
    async with running(shared), client_of(shared.reader_link) as client:
        entered = await enter(client, shared.reader_link)
        assert (entered.status_code, entered.json()["role"]) == (200, "reader")
        assert "anyone on this network can see" in entered.json()["notice"]
        assert [(await client.get(p)).status_code for p in READING] == [200] * 6
        assert await note(client) == 403
    assert bench.face.operations == []


async def test_plain_http_takes_no_operator_from_the_network(
    bench: Bench, shared: Page
) -> None:
    # The operator's link leads to this computer: the token is not sent over the network by it.
    assert shared.operator_link.startswith("http://127.0.0.1:")
    async with running(shared), client_of(shared.reader_link) as client:
        entered = await enter(client, shared.operator_link)
        assert (entered.status_code, "set-cookie" in entered.headers) == (403, False)
        assert "renew the operator's token" in entered.json()["text"]
        name = f"bench-{httpx.URL(shared.reader_link).port}"
        client.cookies.set(name, bench.keys.cookie(Role.OPERATOR))
        assert await note(client) == 403
        assert (await client.get("/api/access")).json()["may_operate"] is False
    assert bench.face.operations == []


async def test_the_headers_leave_out_what_browsers_ignore_on_plain_http(
    shared: Page,
) -> None:
    async with running(shared), client_of(shared.reader_link) as client:
        headers = (await client.get("/")).headers
    assert "cross-origin-opener-policy" not in headers
    assert headers["cross-origin-resource-policy"] == "same-origin"


# 192.0.2.1 is nobody's (RFC 5737, 3).
@pytest.mark.parametrize("address", ["0.0.0.0", "::", "", "192.0.2.1", "no such name"])  # noqa: S104 - to be refused
def test_only_an_address_of_this_machine_can_be_shared(
    bench: Bench, address: str
) -> None:
    with pytest.raises(NetworkError, match=r"^share "):
        bench.page(share=Share(address, 0))


# ---- network with TLS


@pytest.mark.slow
@NEEDS_OPENSSL
async def test_over_tls_the_operator_comes_in_from_the_network(
    bench: Bench, certificate: tuple[Path, Path]
) -> None:
    page = bench.page(share=Share(NETWORK, 0, *certificate))
    assert re.match(rf"https://{NETWORK}:\d+/#operate=", page.operator_link)
    assert re.match(rf"https://{NETWORK}:\d+/#read=", page.reader_link)
    async with (
        running(page),
        client_of(page.operator_link, trusts=certificate[0]) as client,
    ):
        assert (await client.get("/api/state")).status_code == 401
        entered = await enter(client, page.operator_link)
        assert entered.json() == {
            "format": 1, "role": "operator", "may_operate": True, "listener": "network", "secure": True, "notice": "",
        }  # fmt: skip
        cookie = entered.headers["set-cookie"]
        assert re.match(r"__Host-bench-\d+=operator\.", cookie)
        assert "; Secure" in cookie
        assert await note(client) == 200
        async with client.stream("GET", "/api/live") as reply:
            stream = events(reply)
            assert (await anext(stream))[0] == "state"
            page.push("beat", '{"now_s": 2.0}')
            assert await anext(stream) == ("beat", '{"now_s": 2.0}')
            page.stop()
            assert [event async for event in stream] == []
    assert bench.face.operations == [(Note("x"), "page")]


# ---- renewal


async def test_a_renewed_token_shuts_out_whoever_had_the_old_one(
    bench: Bench, shared: Page
) -> None:
    old = shared.reader_link
    async with (
        running(shared),
        client_of(shared.url) as operator,
        client_of(old) as reader,
    ):
        await enter(operator, shared.operator_link)
        await enter(reader, old)
        async with (
            reader.stream("GET", "/api/live") as reply,
            operator.stream("GET", "/api/live") as kept,
        ):
            stream, others = events(reply), events(kept)
            await anext(stream)
            await anext(others)
            renewed = await operator.post("/api/access/renew", json={"role": "reader"})
            assert (renewed.status_code, renewed.json()["format"]) == (200, 1)
            # The open stream ends, too; that of somebody on this computer goes on.
            assert [event async for event in stream] == []
            shared.push("beat", "{}")
            assert await anext(others) == ("beat", "{}")
        assert (await reader.get("/api/state")).status_code == 401
        assert (await enter(reader, old)).status_code == 401
        assert shared.reader_link != old
        assert (await enter(reader, shared.reader_link)).status_code == 200
        assert await note(operator) == 200
    assert len(bench.face.operations) == 1


async def test_the_operator_who_renews_his_own_token_stays_in(bench: Bench) -> None:
    page = bench.page()
    async with running(page), client_of(page.url) as one, client_of(page.url) as other:
        for client in (one, other):
            await enter(client, page.operator_link)
        renewed = await one.post("/api/access/renew", json={"role": "operator"})
        assert renewed.status_code == 200
        assert token_in(page.operator_link) not in renewed.text
        assert [await note(one), await note(other)] == [200, 401]


async def test_a_renewal_that_cannot_be_kept_is_told_and_changes_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = bench.page()

    def fails(_handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    async with serving(page) as client:
        await enter(client, page.operator_link)
        link = page.operator_link
        monkeypatch.setattr(os, "fsync", fails)
        renewed = await client.post("/api/access/renew", json={"role": "operator"})
        assert renewed.status_code == 503
        assert "No space left on device" in renewed.json()["text"]
        assert token_in(link) not in renewed.text
        assert page.operator_link == link
        assert await note(client) == 200
    # Nor does a key that was never told stay behind.
    assert [item.name for item in bench.folder.iterdir()] == ["keys"]


async def test_two_renewals_at_once_are_both_kept(bench: Bench) -> None:
    page = bench.page()
    async with serving(page) as client:
        await enter(client, page.operator_link)
        old = {role: bench.keys.token(role) for role in (Role.READER, Role.OPERATOR)}
        async with asyncio.TaskGroup() as tasks:
            for role in old:
                tasks.create_task(client.post("/api/access/renew", json={"role": role}))
        kept = bench.keys
        assert token_in(page.operator_link) == kept.token(Role.OPERATOR)
        assert token_in(page.reader_link) == kept.token(Role.READER)
        assert all(kept.token(role) != token for role, token in old.items())


async def test_a_reader_whose_token_was_renewed_is_not_counted_any_more(
    shared: Page,
) -> None:
    async with (
        running(shared),
        client_of(shared.url) as operator,
        client_of(shared.reader_link) as reader,
    ):
        await enter(operator, shared.operator_link)
        await enter(reader, shared.reader_link)
        async with reader.stream("GET", "/api/live") as reply:
            await anext(events(reply))
            assert shared.viewers == 1
            await operator.post("/api/access/renew", json={"role": "reader"})
            await until(lambda: shared.viewers == 0)
