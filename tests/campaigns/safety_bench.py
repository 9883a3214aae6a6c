"""A bench that is watched: `daq run` on a terminal, its page's stream, and a Mosquitto that it names, both through relays that can be frozen."""

import contextlib
import http.client
import json
import re
import selectors
import signal
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.runtime.brokers import find_program, free_port, start_program
from tests.system.bench_process import BenchFolder, Simulators, Terminal

LONGEST_S = 90.0
"""Of a trial, by the plan [s of the bench]."""
PATIENCE_S = 90.0
LIMITS = (
    ("current", "above", 2.0, 0.0, "rating of the lead"),
    ("supply_voltage", "below", 400.0, 2.0, "least voltage"),
    ("air_temperature", "above", 23.0, 3.0, "heat of the outlet"),
)
"""Channel, side, limit, how long, what it protects; each is broken soon after switching on [unit of the channel; s]."""


class Ear:
    """Keeps what has arrived, with the moment; waits for what is wanted."""

    def __init__(self) -> None:
        self._arrived: list[tuple[float, str, Any]] = []
        self._news = threading.Condition()

    def take(self, name: str, content: Any) -> None:
        """Something has arrived."""
        with self._news:
            self._arrived.append((time.monotonic(), name, content))
            self._news.notify_all()

    def find(
        self, wanted: Callable[[str, Any], bool], *, since_s: float = 0.0
    ) -> float:
        """When the first that is wanted arrived, waiting for it if need be [s of time.monotonic()]."""
        seen, until_s = 0, time.monotonic() + PATIENCE_S
        with self._news:
            while True:
                for at_s, name, content in self._arrived[seen:]:
                    if at_s >= since_s and wanted(name, content):
                        return at_s
                seen = len(self._arrived)
                if not self._news.wait(max(until_s - time.monotonic(), 0.0)):
                    msg = f"not within {PATIENCE_S:g} s"
                    raise AssertionError(msg)

    def all(self, name: str) -> list[tuple[float, Any]]:
        """Everything of a name so far."""
        with self._news:
            return [
                (at_s, each) for at_s, found, each in self._arrived if found == name
            ]

    @property
    def last_s(self) -> float:
        """When the newest arrived."""
        with self._news:
            return self._arrived[-1][0]


class Screen(Ear):
    """What a terminal draws, with the moment at which it was drawn."""

    def __init__(self, terminal: Terminal) -> None:
        super().__init__()
        self._terminal = terminal
        self._is_left = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def _look(self) -> None:
        seen = 0
        while not self._is_left.wait(0.005):
            size = len(self._terminal.drawn)
            if size > seen:
                seen = size
                self.take("drawn", size)

    def find_drawn(self, words: str) -> float:
        """When it was drawn for the first time, waiting for it if need be [s of time.monotonic()]."""
        ends_at: list[int] = []

        def is_there(_name: str, size: Any) -> bool:
            if not ends_at:
                begins_at = self._terminal.drawn[:size].find(words.encode())
                if begins_at < 0:
                    return False
                ends_at.append(begins_at + len(words.encode()))
            return bool(size >= ends_at[0])

        return self.find(is_there)

    def close(self) -> None:
        """Leave."""
        self._is_left.set()
        self._thread.join(PATIENCE_S)


class Stream(Ear):
    """The page's event stream. Its end arrives as "gone"."""

    def __init__(self, port: int, *, page_port: int) -> None:
        """Follow it through a port; the page answers to its own only."""
        super().__init__()
        self._connection = http.client.HTTPConnection(
            "127.0.0.1", port, timeout=PATIENCE_S
        )
        self._connection.request(
            "GET", "/api/live", headers={"Host": f"127.0.0.1:{page_port}"}
        )
        self._stream = self._connection.getresponse()
        self._thread = threading.Thread(target=self._follow, daemon=True)
        self._thread.start()

    def _follow(self) -> None:
        name = ""
        with contextlib.suppress(OSError, ValueError, http.client.HTTPException):
            while line := self._stream.readline():
                if line.startswith(b"event: "):
                    name = line[7:].strip().decode()
                elif line.startswith(b"data: "):
                    self.take(name, json.loads(line[6:]))
        self.take("gone", None)

    def close(self) -> None:
        """Leave."""
        if self._connection.sock is not None:
            with contextlib.suppress(OSError):
                self._connection.sock.shutdown(socket.SHUT_RDWR)
        self._thread.join(PATIENCE_S)
        self._stream.close()
        self._connection.close()


class Subscriber(Ear):
    """Hears everything that the bench says to the broker."""

    def __init__(self, port: int) -> None:
        super().__init__()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe("#", qos=1)
        self._client.on_message = self._arrives
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _arrives(
        self, _client: object, _data: object, message: mqtt.MQTTMessage
    ) -> None:
        with contextlib.suppress(ValueError):
            self.take(message.topic.rpartition("/")[2], json.loads(message.payload))

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


class Relay:
    """Passes bytes on between whoever calls and a port of this computer, until it is frozen: then nothing comes through, and nobody is told."""

    def __init__(self, target: int | None = None) -> None:
        self.target = target
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._ways = selectors.DefaultSelector()
        self._ways.register(self._listener, selectors.EVENT_READ, None)
        self._frozen = threading.Event()
        self._thread = threading.Thread(target=self._pass_on, daemon=True)
        self._thread.start()

    def freeze(self) -> None:
        """From now on nothing comes through."""
        self._frozen.set()

    def close(self) -> None:
        """Give everything back."""
        self._frozen.set()
        self._thread.join(PATIENCE_S)
        for key in list(self._ways.get_map().values()):
            key.fileobj.close()  # type: ignore[union-attr]  # sockets, all of them
        self._ways.close()

    def _pass_on(self) -> None:
        while not self._frozen.is_set():
            for key, _ in self._ways.select(0.05):
                if key.data is None:
                    self._call()
                else:
                    self._carry(key.fileobj, key.data)

    def _call(self) -> None:
        near, _ = self._listener.accept()
        try:
            far = socket.create_connection(("127.0.0.1", self.target or 0))
        except OSError:
            near.close()
            return
        for one, other in ((near, far), (far, near)):
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._ways.register(one, selectors.EVENT_READ, other)

    def _carry(self, source: Any, target: socket.socket) -> None:
        try:
            data = source.recv(65536)
            target.sendall(data)
        except OSError:
            data = b""
        if not data:
            for each in (source, target):
                with contextlib.suppress(KeyError, ValueError):
                    self._ways.unregister(each)
                each.close()


# ---- a bench with everything


class Watched:
    """`daq run` in a folder of its own, and everybody who watches it."""

    def __init__(self, folder: Path, *, speed: float) -> None:
        self.speed = speed
        self.bench = BenchFolder(folder, "leads")
        self.broker_port = free_port()
        self.to_broker, self.to_page = Relay(self.broker_port), Relay()
        self.to_page.target = self.bench.page_port
        self._edit()
        config = folder / "mosquitto.conf"
        config.write_text(
            f"listener {self.broker_port} 127.0.0.1\nallow_anonymous true\nuser root\n",
            encoding="utf-8",
        )
        self._broker = start_program(find_program("mosquitto"), "-c", str(config))
        _wait_listening(self.broker_port)
        self.simulators = Simulators(self.bench, "--speed", f"{speed:g}", alone=True)
        files = [str(self.bench.path / name) for name in ("bench.toml", "plan.toml")]
        self.terminal = Terminal(
            [sys.executable, "-m", "daq", "run", *files, "--speed", f"{speed:g}"]
        )
        self.screen = Screen(self.terminal)
        self.state = self.bench.wait_for(
            lambda s: all(i["state"] == "ok" for i in s["instruments"])
        )
        self.stream = Stream(self.to_page.port, page_port=self.bench.page_port)
        self.subscriber = Subscriber(self.broker_port)
        self.subscriber.find(
            lambda name, told: name == "status" and told["state"] == "online"
        )

    def _edit(self) -> None:
        self.bench.edit(
            "bench.toml",
            "[page]",
            f'[broker]\nhost = "127.0.0.1"\nport = {self.to_broker.port}\n\n[page]',
        )
        plan = self.bench.path / "plan.toml"
        text = plan.read_text(encoding="utf-8").partition("[[limit]]")[0]
        text = re.sub(r"(?m)^trial_longest_s.*\n", "", text)
        text = text.replace(
            "baseline =", f"trial_longest_s = {LONGEST_S}\nbaseline =", 1
        )
        for channel, side, limit, for_s, reason in LIMITS:
            text += f'\n[[limit]]\nchannel = "{channel}"\n{side} = {limit}\nfor_s = {for_s}\nreason = "{reason}"\n'
        plan.write_text(text, encoding="utf-8")

    def switch_on(self) -> None:
        """Fit what is called for, and switch on once everything was read with the machine off."""
        condition = self.bench.state()["condition"]["name"]
        begun_s = self.bench.state()["clock"]["now_s"]
        self.bench.wait_for(
            lambda s: all((c["at_s"] or 0.0) > begun_s + 4.0 for c in s["channels"])
        )
        self.simulators.say(f"fit {condition}")
        self.simulators.say("on")

    def signal(self, number: int) -> None:
        """To the service."""
        self.terminal.process.send_signal(number)

    def close(self) -> None:
        """End everything, whatever state it is in."""
        self.signal(signal.SIGCONT)
        if self.terminal.process.poll() is None:
            self.terminal.process.kill()
        self.terminal.finish()
        self.screen.close()
        self.to_page.close()
        self.to_broker.close()
        self.stream.close()
        self.subscriber.close()
        self.simulators.stop()
        self._broker.kill()
        self._broker.wait()


@contextlib.contextmanager
def watched(*, speed: float) -> Iterator[Watched]:
    """A bench that is watched, as long as the block lasts."""
    with tempfile.TemporaryDirectory(prefix="safety-") as folder:
        bench = Watched(Path(folder), speed=speed)
        try:
            yield bench
        finally:
            bench.close()


def _wait_listening(port: int) -> None:
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.02)  # noqa: TID251  # a real program starts at its own pace
    msg = f"nothing listens on port {port}"
    raise AssertionError(msg)
