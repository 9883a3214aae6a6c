"""Brokers for the publisher, a publisher with what it needs, and another client that listens."""

import asyncio
import os
import shutil
import signal
import socket
import subprocess
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Protocol

import aiomqtt
import pytest

from daq.errors import StoreFailingError
from daq.messages import Topics
from daq.runtime.broker import Incoming, Publisher, TlsSettings
from tests.runtime.waiting import PATIENCE_S, until

HOST = "127.0.0.1"
TOPICS = Topics(bench="leads")
LIVE = TOPICS.live("meter-1")
RIGHT_WORD, WRONG_WORD = "sesame", "barley"


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
    return subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def run_program(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True)


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
        on_ask: Callable[[Incoming], None] | None = None,
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
            on_ask=on_ask,
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
