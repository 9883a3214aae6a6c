"""Ports, paths and their rights."""

import contextlib
import ipaddress
import socket
import stat
from pathlib import Path

import pytest

from daq.errors import InputError, NetworkError
from daq.operations import Pause
from daq.runtime.web import Share
from daq.runtime.web.listeners import is_free, listen_on_network
from tests.runtime.pages import (
    NETWORK,
    OPENSSL,
    Bench,
    client_of,
    events,
    make_certificate,
    running,
    serving,
)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.sock"


def is_socket(path: Path) -> bool:
    return path.is_socket()


# ---- ports


async def test_without_a_share_it_listens_on_loopback_alone(bench: Bench) -> None:
    page = bench.page()
    async with running(page):
        with socket.socket() as probe:
            # Answered only by a socket that is bound to every address.
            assert probe.connect_ex((NETWORK, page.port)) != 0


async def test_a_page_has_its_port_before_it_runs(bench: Bench) -> None:
    page = bench.page()
    with pytest.raises(NetworkError, match=str(page.port)):
        bench.page(port=page.port)
    async with serving(page) as client:
        assert (await client.get("/api/state")).status_code == 200


def test_a_port_that_another_program_has_is_named(bench: Bench) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        assert not is_free(port)
        with pytest.raises(NetworkError, match=f"page port {port}: another program"):
            bench.page(port=port)
    assert is_free(port)


def test_a_shared_port_that_another_program_has_is_named(
    bench: Bench, path: Path
) -> None:
    with socket.create_server((NETWORK, 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(NetworkError, match=f"share {NETWORK} port {port}: "):
            bench.page(share=Share(NETWORK, port), socket_path=path)
    assert not path.exists()


# ---- a name for the network


def lead(monkeypatch: pytest.MonkeyPatch, *addresses: str) -> None:
    """Let every name lead to these addresses."""

    def found(_name: str, port: int, **_options: object) -> list[object]:
        return [
            (socket.AF_INET, socket.SOCK_STREAM, 6, "", (address, port))
            for address in addresses
        ]

    monkeypatch.setattr(socket, "getaddrinfo", found)


@pytest.mark.parametrize("addresses", [["127.0.1.1"], ["127.0.0.1", "127.0.1.1"]])
def test_a_name_that_leads_to_this_machine_alone_is_refused(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, addresses: list[str]
) -> None:
    lead(monkeypatch, *addresses)
    words = rf"^share address 'workshop': leads to this machine's own {addresses[0]}"
    with pytest.raises(NetworkError, match=words):
        bench.page(share=Share("workshop", 0))


def test_a_name_that_stands_for_every_address_is_refused(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    lead(monkeypatch, "0.0.0.0")  # noqa: S104 - to be refused
    with pytest.raises(NetworkError, match="stands for every address"):
        bench.page(share=Share("workshop", 0))


def test_of_a_names_addresses_the_first_is_taken_that_is_this_machines(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # 192.0.2.1 is nobody's (RFC 5737, 3); 127.0.0.2 plays the network's.
    monkeypatch.setattr(ipaddress.IPv4Address, "is_loopback", property(is_first))
    lead(monkeypatch, "127.0.0.1", "192.0.2.1", NETWORK)
    with contextlib.closing(listen_on_network(Share("workshop", 0))) as listener:
        assert listener.socket.getsockname()[0] == NETWORK
        assert listener.origins == (f"http://workshop:{listener.port}",)


def is_first(address: ipaddress.IPv4Address) -> bool:
    return str(address) == "127.0.0.1"


@pytest.mark.slow
async def test_a_page_can_follow_another_on_the_same_port_at_once(bench: Bench) -> None:
    first = bench.page()
    async with serving(first) as client, client.stream("GET", "/api/live") as reply:
        await anext(events(reply))
    async with serving(bench.page(port=first.port)) as client:
        assert (await client.get("/api/state")).status_code == 200


async def test_every_listener_is_given_back(bench: Bench, path: Path) -> None:
    for _ in range(2):
        page = bench.page(share=Share(NETWORK, 0), socket_path=path)
        async with running(page):
            assert is_socket(path)
        assert not is_socket(path)
        assert is_free(page.port)


def test_a_page_that_never_ran_gives_everything_back(bench: Bench, path: Path) -> None:
    page = bench.page(share=Share(NETWORK, 0), socket_path=path)
    page.close()
    page.close()
    assert not path.exists()
    assert is_free(page.port)


# ---- certificates


@pytest.mark.parametrize("text", [None, "", "no certificate"])
def test_a_certificate_that_is_none_is_named(
    bench: Bench, tmp_path: Path, text: str | None
) -> None:
    file = tmp_path / "certificate.pem"
    if text is not None:
        file.write_text(text, encoding="ascii")
    with pytest.raises(InputError, match=r"certificate .*certificate\.pem: cannot be"):
        bench.page(share=Share(NETWORK, 0, file))


@pytest.mark.skipif(OPENSSL is None, reason="no openssl program")
def test_a_key_of_another_certificate_is_refused(bench: Bench, tmp_path: Path) -> None:
    pairs = []
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
        pairs.append(make_certificate(tmp_path / name))
    with pytest.raises(InputError, match=r"certificate .* with key .*: cannot be used"):
        bench.page(share=Share(NETWORK, 0, pairs[0][0], pairs[1][1]))


# ---- the Unix socket


async def test_whoever_may_open_the_socket_operates(bench: Bench, path: Path) -> None:
    page = bench.page(socket_path=path)
    async with (
        running(page),
        client_of("http://bench", socket_path=path) as client,
    ):
        access = (await client.get("/api/access")).json()
        assert (access["role"], access["may_operate"]) == ("operator", True)
        assert (access["listener"], access["secure"]) == ("socket", True)
        reply = await client.post("/api/session/pause", json={})
        assert reply.json() == {"format": 1, "text": bench.face.answer}
        left = await client.delete("/api/access")
        renewed = await client.post("/api/access/renew", json={"role": "reader"})
        assert (left.status_code, renewed.status_code) == (200, 200)
        assert "set-cookie" not in {**left.headers, **renewed.headers}
    assert bench.face.operations == [(Pause(), "command line")]


def test_the_socket_is_its_owners_alone_from_the_first_moment(
    bench: Bench, path: Path
) -> None:
    seen: list[tuple[str, int, int]] = []
    bind = socket.socket.bind

    def watched(bound: socket.socket, address) -> None:
        bind(bound, address)
        if isinstance(address, str):
            folder = Path(address).parent
            seen.append((address, folder.stat().st_mode, Path(address).stat().st_mode))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("daq.runtime.web.listeners._BoundedSocket.bind", watched)
        page = bench.page(socket_path=path)
    page.close()
    ((address, folder_mode, _),) = seen
    assert Path(address).parent != path.parent
    assert stat.S_IMODE(folder_mode) == 0o700


def test_the_socket_has_mode_0600_and_leaves_nothing_beside_it(
    bench: Bench, path: Path, tmp_path: Path
) -> None:
    page = bench.page(socket_path=path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert {item.name for item in tmp_path.iterdir()} == {"keys", path.name}
    page.close()


async def test_a_socket_of_a_program_that_has_died_is_replaced(
    bench: Bench, path: Path
) -> None:
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(path))
    assert is_socket(path)
    page = bench.page(socket_path=path)
    async with (
        running(page),
        client_of("http://bench", socket_path=path) as client,
    ):
        assert (await client.get("/api/state")).status_code == 200


async def test_a_socket_that_is_in_use_is_left_alone(bench: Bench, path: Path) -> None:
    page = bench.page(socket_path=path)
    with pytest.raises(NetworkError, match=r"bench\.sock: another program answers"):
        bench.page(socket_path=path)
    async with (
        running(page),
        client_of("http://bench", socket_path=path) as client,
    ):
        assert (await client.get("/api/state")).status_code == 200


def test_a_file_of_another_kind_is_left_alone(bench: Bench, path: Path) -> None:
    path.write_text("precious", encoding="utf-8")
    with pytest.raises(NetworkError, match="a file of another kind is there"):
        bench.page(socket_path=path)
    assert path.read_text(encoding="utf-8") == "precious"


def test_a_path_that_replaced_ours_is_left_alone(bench: Bench, path: Path) -> None:
    page = bench.page(socket_path=path)
    path.unlink()
    path.write_text("somebody else's", encoding="utf-8")
    page.close()
    assert path.exists()


@pytest.mark.parametrize("name", ["nowhere/bench.sock", "x" * 120])
def test_a_path_where_no_socket_can_be_is_named(
    bench: Bench, tmp_path: Path, name: str
) -> None:
    with pytest.raises(NetworkError, match=r"page socket .*: cannot be made"):
        bench.page(socket_path=tmp_path / name)


async def test_each_listener_counts_its_viewers_together(
    bench: Bench, path: Path
) -> None:
    page = bench.page(socket_path=path)
    async with (
        running(page),
        client_of(page.url) as one,
        client_of("http://bench", socket_path=path) as other,
        one.stream("GET", "/api/live") as first,
        other.stream("GET", "/api/live") as second,
    ):
        streams = [events(first), events(second)]
        for stream in streams:
            assert (await anext(stream))[0] == "state"
        assert page.viewers == 2
        page.push("beat", "{}")
        for stream in streams:
            assert await anext(stream) == ("beat", "{}")
