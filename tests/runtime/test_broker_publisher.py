"""The publisher against real brokers: the embedded one and a Mosquitto of the system."""

import asyncio
import gc
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tracemalloc
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Protocol

import aiomqtt
import pytest

from daq.errors import InputError, StoreFailingError
from daq.messages import Topics
from daq.runtime.broker import EMBEDDED_HOST, EmbeddedBroker, Publisher, TlsSettings

ROOT = Path(__file__).parents[2]
HOST = "127.0.0.1"
PATIENCE_S = 20.0
TOPICS = Topics(bench="leads")
LIVE = TOPICS.live("meter-1")
RIGHT_WORD, WRONG_WORD = "sesame", "barley"


async def until(condition: Callable[[], bool]) -> None:
    """Wait for a condition, or fail."""
    async with asyncio.timeout(PATIENCE_S):
        while not condition():  # noqa: ASYNC110 - what is waited for sets no event
            await asyncio.sleep(0.005)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


def find_program(name: str) -> str:
    path = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin"])
    program = shutil.which(name, path=path)
    if program is None:
        pytest.skip(
            f"{name} is not installed; on Debian: apt install mosquitto openssl"
        )
    return program


def start_program(*command: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(  # noqa: S603 - the tests' own commands
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def run_program(*command: str) -> None:
    subprocess.run(  # noqa: S603 - the tests' own commands
        command, check=True, capture_output=True
    )


class Mosquitto:
    """A broker of the system, with a configuration of its own, on a free port."""

    def __init__(self, folder: Path) -> None:
        self._program = find_program("mosquitto")
        self._config = folder / "mosquitto.conf"
        self._process: subprocess.Popen[bytes] | None = None
        self.port = free_port()
        self.configure("allow_anonymous true")

    def configure(self, *lines: str) -> None:
        # As root it would become another user, who may not read the test's folder.
        user = ["user root"] if os.geteuid() == 0 else []
        head = ["per_listener_settings false", f"listener {self.port} {HOST}"]
        tail = ["persistence false", "set_tcp_nodelay true"]
        self._config.write_text("\n".join([*user, *head, *lines, *tail]) + "\n")

    async def start(self) -> int:
        self._process = start_program(self._program, "-c", str(self._config))
        await until(self._is_listening)
        return self.port

    def _is_listening(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex((HOST, self.port)) == 0

    def signal(self, number: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    async def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()


class AnyBroker(Protocol):
    async def start(self) -> int: ...

    async def stop(self) -> None: ...


class Outbox:
    """What the publisher sees of the store; a closed gate holds the next entry back."""

    def __init__(self) -> None:
        self.waiting: list[tuple[int, str, str, str]] = []
        self.gate = asyncio.Event()
        self.gate.set()
        self.trouble: StoreFailingError | None = None

    def add(self, number: int) -> None:
        result_id = f"id-{number}"
        self.waiting.append((number, result_id, TOPICS.result, result_id))

    async def outbox_next(self) -> tuple[int, str, str, str] | None:
        await self.gate.wait()
        if self.trouble:
            raise self.trouble
        return self.waiting[0] if self.waiting else None

    async def outbox_done(self, entry: int, /) -> None:
        assert self.waiting[0][0] == entry
        del self.waiting[0]


class Bench:
    """A publisher with what it needs, and what it reported."""

    def __init__(
        self,
        port: int,
        *,
        user: str | None = None,
        password: str | None = None,
        tls: TlsSettings | None = None,
    ) -> None:
        self.outbox = Outbox()
        self.states: list[tuple[str, str]] = []
        self.publisher = Publisher(
            host=HOST,
            port=port,
            client_id="leads-1",
            topics=TOPICS,
            outbox=self.outbox,
            on_state=lambda state, text: self.states.append((state, text)),
            utc_text=lambda: "10:12:13",
            user=user,
            password=password,
            tls=tls,
        )

    def is_(self, state: str) -> bool:
        return bool(self.states) and self.states[-1][0] == state

    @asynccontextmanager
    async def running(self) -> AsyncIterator[Publisher]:
        async with asyncio.timeout(3 * PATIENCE_S), asyncio.TaskGroup() as tasks:
            task = tasks.create_task(self.publisher.run())
            yield self.publisher
            task.cancel()


class Subscriber:
    """Another client that listens to everything."""

    def __init__(self) -> None:
        self.messages: list[aiomqtt.Message] = []

    @asynccontextmanager
    async def listening(self, port: int, topic: str = "#") -> AsyncIterator[None]:
        async with aiomqtt.Client(HOST, port) as client:
            await client.subscribe(topic, qos=1)
            async with asyncio.TaskGroup() as tasks:
                task = tasks.create_task(self._collect(client))
                yield
                task.cancel()

    async def _collect(self, client: aiomqtt.Client) -> None:
        try:
            async for message in client.messages:
                self.messages.append(message)
        except aiomqtt.MqttError:
            return

    def received(self, topic: str) -> list[aiomqtt.Message]:
        return [each for each in self.messages if str(each.topic) == topic]

    def payloads(self, topic: str) -> list[str]:
        return [each.payload.decode() for each in self.received(topic)]

    def last(self, topic: str) -> str | None:
        return next(reversed(self.payloads(topic)), None)


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    yield broker
    await broker.stop()


@pytest.fixture(
    params=["embedded", pytest.param("mosquitto", marks=pytest.mark.mosquitto)]
)
async def any_port(
    request: pytest.FixtureRequest, tmp_path: Path
) -> AsyncIterator[int]:
    broker: AnyBroker
    broker = EmbeddedBroker() if request.param == "embedded" else Mosquitto(tmp_path)
    yield await broker.start()
    await broker.stop()


@pytest.fixture(autouse=True)
def nothing_is_left_open() -> Iterator[None]:
    """An unclosed socket is a ResourceWarning, which fails the test it belongs to."""
    yield
    gc.collect()


def status(state: str) -> dict[str, object]:
    return {"format": 1, "state": state}


# The contract: both brokers do what the program relies on.


@pytest.mark.slow
async def test_live_messages_arrive(any_port: int) -> None:
    bench, watcher = Bench(any_port), Subscriber()
    async with bench.running() as publisher, watcher.listening(any_port):
        await until(lambda: bench.is_("ok"))
        publisher.publish_live(LIVE, "one")
        await until(lambda: watcher.last(LIVE) == "one")
    assert bench.states[0] == ("ok", f"connected to {EMBEDDED_HOST}:{any_port}")
    (message,) = watcher.received(LIVE)
    assert not message.retain


@pytest.mark.slow
async def test_a_late_subscriber_finds_description_state_and_status(
    any_port: int,
) -> None:
    bench, watcher = Bench(any_port), Subscriber()
    bench.publisher.set_retained(TOPICS.description, "what is there")
    async with bench.running() as publisher:
        publisher.set_retained(TOPICS.state, "settling")
        publisher.set_retained(TOPICS.state, "averaging")
        await until(lambda: bench.is_("ok"))
        publisher.publish_live(LIVE, "sent after what is retained")
        async with watcher.listening(any_port):
            await until(lambda: watcher.last(TOPICS.state) == "averaging")
            assert watcher.payloads(TOPICS.description) == ["what is there"]
            assert json.loads(watcher.last(TOPICS.status) or "") == status("online")


@pytest.mark.slow
async def test_results_arrive_in_order_and_are_struck_off(any_port: int) -> None:
    bench, watcher = Bench(any_port), Subscriber()
    async with bench.running() as publisher, watcher.listening(any_port):
        for number in range(20):
            bench.outbox.add(number)
        publisher.wake_outbox()
        assert await publisher.wait_results_sent(PATIENCE_S)
        assert bench.outbox.waiting == []
        await until(lambda: len(watcher.payloads(TOPICS.result)) == 20)
    assert watcher.payloads(TOPICS.result) == [f"id-{number}" for number in range(20)]


@pytest.mark.slow
async def test_a_large_description_passes(any_port: int) -> None:
    bench, watcher = Bench(any_port), Subscriber()
    large = "x" * 200_000
    bench.publisher.set_retained(TOPICS.description, large)
    async with bench.running(), watcher.listening(any_port):
        await until(lambda: watcher.last(TOPICS.description) == large)
    assert [state for state, _ in bench.states] == ["ok"]


@pytest.mark.slow
async def test_a_clean_end_hands_over_the_last_state_and_says_offline(
    any_port: int,
) -> None:
    bench, watcher = Bench(any_port), Subscriber()
    async with watcher.listening(any_port):
        async with bench.running() as publisher:
            await until(lambda: bench.is_("ok"))
            publisher.set_retained(TOPICS.state, "finished")
        await until(lambda: '"offline"' in (watcher.last(TOPICS.status) or ""))
    assert watcher.last(TOPICS.state) == "finished"


PUBLISH_FOR_EVER = f"""
import asyncio, sys
sys.path.insert(0, {str(ROOT)!r})
from daq.messages import Topics
from daq.runtime.broker import Publisher

class Outbox:
    async def outbox_next(self): return None
    async def outbox_done(self, entry): pass

async def main():
    publisher = Publisher(
        host="127.0.0.1", port=int(sys.argv[1]), client_id="child",
        topics=Topics(bench="leads"), outbox=Outbox(),
        on_state=lambda state, text: print(state, flush=True), utc_text=lambda: "",
    )
    await publisher.run()

asyncio.run(main())
"""


@pytest.mark.slow
async def test_a_killed_program_is_reported_offline_by_its_will(any_port: int) -> None:
    watcher = Subscriber()
    async with watcher.listening(any_port):
        process = start_program(sys.executable, "-c", PUBLISH_FOR_EVER, str(any_port))
        try:
            await until(lambda: '"online"' in (watcher.last(TOPICS.status) or ""))
        finally:
            process.kill()
            process.wait()
        await until(lambda: '"offline"' in (watcher.last(TOPICS.status) or ""))
    assert json.loads(watcher.last(TOPICS.status) or "") == status("offline")


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_live_values_travel_with_qos_0_and_results_with_qos_1(
    mosquitto: Mosquitto,
) -> None:
    # Not part of the contract: the embedded broker delivers all with the
    # subscription's QoS, where MQTT 5.0, 3.8.4, wants the lesser of the two.
    port = await mosquitto.start()
    bench, watcher = Bench(port), Subscriber()
    bench.outbox.add(1)
    async with watcher.listening(port), bench.running() as publisher:
        publisher.publish_live(LIVE, "one")
        await until(lambda: bool(watcher.received(LIVE)))
        await until(lambda: bool(watcher.received(TOPICS.result)))
    assert [each.qos for each in watcher.received(LIVE)] == [0]
    assert [each.qos for each in watcher.received(TOPICS.result)] == [1]


# A broker that goes away, comes back, or is stuck.


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_a_killed_broker_costs_no_result_and_no_order(
    mosquitto: Mosquitto,
) -> None:
    port = await mosquitto.start()
    bench, watcher = Bench(port), Subscriber()
    for number in range(400):
        bench.outbox.add(number)
    async with watcher.listening(port), bench.running():
        await until(lambda: len(watcher.payloads(TOPICS.result)) > 50)
        mosquitto.signal(signal.SIGKILL)
        await until(lambda: bench.is_("away"))
        # What is published before the watcher is back would be lost on the watcher.
        bench.outbox.gate.clear()
        await mosquitto.stop()
        assert bench.outbox.waiting
        await mosquitto.start()
        async with watcher.listening(port):
            bench.outbox.gate.set()
            await until(lambda: not bench.outbox.waiting)
            await until(lambda: watcher.last(TOPICS.result) == "id-399")
    received = watcher.payloads(TOPICS.result)
    assert list(dict.fromkeys(received)) == [f"id-{number}" for number in range(400)]
    # A repeat follows its first sending at once: nothing overtakes.
    numbers = [int(result_id[3:]) for result_id in received]
    assert numbers == sorted(numbers)


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_a_restarted_broker_is_told_again_what_it_had_retained(
    mosquitto: Mosquitto,
) -> None:
    port = await mosquitto.start()
    bench, watcher = Bench(port), Subscriber()
    bench.publisher.set_retained(TOPICS.description, "what is there")
    async with bench.running() as publisher:
        await until(lambda: bench.is_("ok"))
        mosquitto.signal(signal.SIGKILL)
        await until(lambda: bench.is_("away"))
        publisher.set_retained(TOPICS.state, "set while it was away")
        await mosquitto.stop()
        await mosquitto.start()
        async with watcher.listening(port):
            await until(lambda: watcher.last(TOPICS.state) is not None)
    assert watcher.last(TOPICS.description) == "what is there"
    assert watcher.last(TOPICS.state) == "set while it was away"
    assert [state for state, _ in bench.states][-1] == "ok"


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_a_frozen_broker_holds_nothing_up_and_fills_no_memory(
    mosquitto: Mosquitto,
) -> None:
    port = await mosquitto.start()
    bench, watcher = Bench(port), Subscriber()
    topics = [TOPICS.live(f"meter-{number}") for number in range(3)]
    async with bench.running() as publisher, watcher.listening(port):
        await until(lambda: bench.is_("ok"))
        mosquitto.signal(signal.SIGSTOP)
        sent = 0
        tracemalloc.start()
        while not bench.is_("away"):
            # 10 kB each, more than a socket's buffer within moments.
            publisher.publish_live(topics[sent % 3], f"{sent:05d}".rjust(10_000))
            sent += 1
            await asyncio.sleep(0 if sent % 100 else 0.001)
        for number in range(sent, sent + 3000):
            publisher.publish_live(topics[number % 3], f"{number:05d}".rjust(10_000))
        sent += 3000
        held, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert held < 1_000_000, "30 MB were published meanwhile"
        assert publisher.live_dropped >= 2997
        mosquitto.signal(signal.SIGCONT)
        newest = f"{sent - 1:05d}".rjust(10_000)
        await until(lambda: watcher.last(topics[(sent - 1) % 3]) == newest)
        assert bench.is_("ok")


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_results_survive_a_frozen_broker(mosquitto: Mosquitto) -> None:
    port = await mosquitto.start()
    bench, watcher = Bench(port), Subscriber()
    async with bench.running() as publisher, watcher.listening(port):
        await until(lambda: bench.is_("ok"))
        mosquitto.signal(signal.SIGSTOP)
        for number in range(5):
            bench.outbox.add(number)
        publisher.wake_outbox()
        await until(lambda: bench.is_("away"))
        assert len(bench.outbox.waiting) == 5
        mosquitto.signal(signal.SIGCONT)
        await until(lambda: not bench.outbox.waiting)
        await until(lambda: watcher.last(TOPICS.result) == "id-4")
    received = watcher.payloads(TOPICS.result)
    assert list(dict.fromkeys(received)) == [f"id-{number}" for number in range(5)]


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_a_run_can_be_ended_while_the_broker_is_frozen(
    mosquitto: Mosquitto,
) -> None:
    bench = Bench(await mosquitto.start())
    async with bench.running() as publisher:
        await until(lambda: bench.is_("ok"))
        mosquitto.signal(signal.SIGSTOP)
        publisher.set_retained(TOPICS.state, "finished")
    mosquitto.signal(signal.SIGCONT)


async def test_an_absent_broker_is_away_and_only_the_newest_live_value_waits() -> None:
    bench = Bench(free_port())
    async with bench.running() as publisher:
        for number in range(10):
            publisher.publish_live(LIVE, str(number))
        await until(lambda: bench.is_("away"))
    assert bench.states == [("away", "away since 10:12:13: nothing listens there")]
    assert publisher.live_dropped == 9


class SilentListener:
    """Accepts, reads and says nothing, as some brokers do to a wrong password."""

    def __init__(self) -> None:
        self.port = 0
        self.greeted = asyncio.Event()
        self.open_links = 0

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[None]:
        server = await asyncio.start_server(self._ignore, HOST, 0)
        async with server:
            self.port = server.sockets[0].getsockname()[1]
            yield

    async def _ignore(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self.open_links += 1
        while await reader.read(1000):
            self.greeted.set()
        self.open_links -= 1
        writer.close()


@pytest.mark.slow
async def test_a_broker_that_gives_no_welcome_is_away_with_both_possible_causes() -> (
    None
):
    listener = SilentListener()
    async with listener.listening():
        bench = Bench(listener.port, user="bench", password=WRONG_WORD)
        async with bench.running():
            await until(lambda: bench.is_("away"))
    _, text = bench.states[0]
    assert "gives no welcome within 2 s: it is stuck, or does not know" in text
    assert WRONG_WORD not in text


@pytest.mark.slow
async def test_a_run_can_be_ended_while_it_connects() -> None:
    listener = SilentListener()
    async with listener.listening():
        bench = Bench(listener.port)
        async with bench.running():
            await asyncio.sleep(0)
        async with bench.running():
            await listener.greeted.wait()
        await until(lambda: listener.open_links == 0)
    assert bench.states == []


async def test_results_wait_while_there_is_no_broker() -> None:
    bench = Bench(free_port())
    bench.outbox.add(1)
    async with bench.running() as publisher:
        await until(lambda: bench.is_("away"))
        assert not await publisher.wait_results_sent(0.01)
    assert len(bench.outbox.waiting) == 1


@pytest.mark.slow
async def test_a_store_in_trouble_stops_results_but_no_live_value(
    any_port: int,
) -> None:
    bench, watcher = Bench(any_port), Subscriber()
    bench.outbox.add(1)
    bench.outbox.trouble = StoreFailingError("bench.db: disk full")
    async with bench.running() as publisher, watcher.listening(any_port):
        await until(lambda: bench.is_("ok"))
        publisher.publish_live(LIVE, "one")
        await until(lambda: watcher.last(LIVE) == "one")
        assert watcher.payloads(TOPICS.result) == []
        bench.outbox.trouble = None
        publisher.wake_outbox()
        await until(lambda: watcher.last(TOPICS.result) == "id-1")
    assert [state for state, _ in bench.states] == ["ok"]


# Who may come in, and who is let speak.


@pytest.fixture
async def guarded(mosquitto: Mosquitto, tmp_path: Path) -> int:
    """A port that wants user "bench" with the right word."""
    passwords = tmp_path / "passwords"
    program = find_program("mosquitto_passwd")
    run_program(program, "-b", "-c", str(passwords), "bench", RIGHT_WORD)
    mosquitto.configure("allow_anonymous false", f"password_file {passwords}")
    return await mosquitto.start()


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_user_and_password_let_the_publisher_in(guarded: int) -> None:
    bench = Bench(guarded, user="bench", password=RIGHT_WORD)
    async with bench.running():
        await until(lambda: bench.is_("ok"))


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_a_wrong_password_is_away_with_a_plain_sentence(guarded: int) -> None:
    bench = Bench(guarded, user="bench", password=WRONG_WORD)
    async with bench.running():
        await until(lambda: bench.is_("away"))
    assert bench.states[0] == (
        "away",
        "away since 10:12:13: it refuses the user name or the password",
    )


def make_certificate(folder: Path, name: str) -> tuple[Path, Path]:
    certificate, key = folder / f"{name}.crt", folder / f"{name}.key"
    request = (
        "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2"
    )
    run_program(
        *(find_program("openssl"), *request.split()),
        *("-subj", "/CN=test broker", "-addext", "subjectAltName=IP:127.0.0.1"),
        *("-keyout", str(key), "-out", str(certificate)),
    )
    return certificate, key


@pytest.fixture
async def encrypted(mosquitto: Mosquitto, tmp_path: Path) -> int:
    """A port that speaks TLS with the certificate broker.crt."""
    certificate, key = make_certificate(tmp_path, "broker")
    mosquitto.configure(
        "allow_anonymous true", f"certfile {certificate}", f"keyfile {key}"
    )
    return await mosquitto.start()


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_a_broker_with_a_trusted_certificate_is_spoken_to(
    encrypted: int, tmp_path: Path
) -> None:
    bench = Bench(encrypted, tls=TlsSettings(ca_file=tmp_path / "broker.crt"))
    bench.outbox.add(1)
    async with bench.running():
        await until(lambda: bench.is_("ok"))
        await until(lambda: not bench.outbox.waiting)


@pytest.mark.slow
@pytest.mark.mosquitto
# The library (paho) leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket"
    ":pytest.PytestUnraisableExceptionWarning"
)
async def test_a_broker_with_another_certificate_is_not_trusted(
    encrypted: int, tmp_path: Path
) -> None:
    other, _ = make_certificate(tmp_path, "other")
    bench = Bench(encrypted, tls=TlsSettings(ca_file=other))
    async with bench.running():
        await until(lambda: bench.is_("away"))
    assert "its certificate is not trusted" in bench.states[0][1]


def test_a_file_without_certificates_is_refused_at_once(tmp_path: Path) -> None:
    rubbish = tmp_path / "ca.crt"
    rubbish.write_text("no certificate")
    with pytest.raises(InputError, match=r"ca\.crt: no certificates to be had"):
        Bench(1883, tls=TlsSettings(ca_file=rubbish))
    with pytest.raises(InputError, match="No such file"):
        Bench(1883, tls=TlsSettings(ca_file=tmp_path / "absent.crt"))
