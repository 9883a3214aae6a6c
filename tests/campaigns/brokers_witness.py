"""A real broker that keeps what it holds, and a subscriber whose session the broker keeps: the witnesses of the campaign."""

import asyncio
import json
import socket
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.campaigns.brokers_gate import HOST, free_port
from tests.runtime.brokers import Mosquitto, find_program, run_program

USER, WORD, OTHER_WORD = "bench", "sesame", "barley"
_WITNESS, _WITNESS_WORD = "witness", "millet"
_BELOW = "steadybench/"


class KeepingBroker(Mosquitto):
    """Mosquitto with persistence: one listener for the bench, one for the witness.

    Both want a user. What it holds is written down with every change, so that it survives being killed.
    """

    def __init__(self, folder: Path, *, is_encrypted: bool) -> None:
        self._folder = folder
        self._is_encrypted = is_encrypted
        self.witness_port = free_port()
        super().__init__(folder)
        if is_encrypted:
            _make_certificates(folder)
        self.set_up()

    def set_up(self, *, word: str = WORD, certificate: str = "valid") -> None:
        """Takes effect with the next start."""
        passwords = self._folder / "passwords"
        program = find_program("mosquitto_passwd")
        run_program(program, "-b", "-c", str(passwords), USER, word)
        run_program(program, "-b", str(passwords), _WITNESS, _WITNESS_WORD)
        proof = [f"certfile {self._folder / certificate}.crt", f"keyfile {self._folder / 'broker.key'}"]  # fmt: skip
        self.configure(
            *(proof if self._is_encrypted else []),
            f"listener {self.witness_port} {HOST}",
            "allow_anonymous false",
            f"password_file {passwords}",
        )

    def configure(self, *lines: str) -> None:
        super().configure(*lines)
        text = self._config.read_text(encoding="utf-8")
        keeps = f"persistence true\npersistence_location {self._folder}/\nautosave_interval 1\nautosave_on_changes true\nmax_queued_messages 0"
        self._config.write_text(text.replace("persistence false", keeps))

    def _is_listening(self) -> bool:
        # The first listener is there a little earlier than the second.
        with socket.socket() as probe:
            answers = probe.connect_ex((HOST, self.witness_port)) == 0
        return answers and super()._is_listening()

    def begin(self) -> None:
        """Start it, and return once it listens."""
        asyncio.run(self.start())

    def end(self, *, orderly: bool) -> None:
        """Stop it; in order, it writes down what it holds."""
        if self._process is None:
            return
        if orderly:
            self._process.terminate()
        else:
            self._process.kill()
        self._process.wait(20)

    def come_back(self, *, word: str = WORD, certificate: str = "valid") -> None:
        """Restart it with another password for the bench, or another certificate."""
        self.end(orderly=True)
        self.set_up(word=word, certificate=certificate)
        self.begin()


def _make_certificates(folder: Path) -> None:
    """An authority, and two certificates for one key: `valid`, and `expired` a day ago."""
    openssl, key = find_program("openssl"), str(folder / "broker.key")
    curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    authority = [str(folder / "ca.crt"), str(folder / "ca.key")]
    run_program(
        *(openssl, "req", "-x509", *curve, "-days", "2", "-subj", "/CN=authority"),
        *("-out", authority[0], "-keyout", authority[1]),
    )
    request, names = str(folder / "broker.csr"), folder / "names"
    names.write_text("subjectAltName=IP:127.0.0.1\n")
    run_program(
        openssl, "req", "-new", *curve, "-subj", "/CN=broker", "-keyout", key, "-out", request
    )  # fmt: skip
    for name, days in (("valid", "2"), ("expired", "-1")):
        run_program(
            *(openssl, "x509", "-req", "-in", request, "-days", days),
            *("-CA", authority[0], "-CAkey", authority[1], "-CAcreateserial"),
            *("-extfile", str(names), "-out", str(folder / f"{name}.crt")),
        )


@dataclass(frozen=True, slots=True)
class Received:
    """A result as it came."""

    trial: str
    revision: int
    payload: bytes


class Witness:
    """A subscriber with a session that the broker keeps (QoS 1).

    Attributes:
        results: In the order of arrival.
        largest: Size of the largest payload, by topic [byte].
        fresh: UTC of the newest live reading [s since 1970], and when it came on time.monotonic() [s], for all of them.
    """

    def __init__(self, port: int) -> None:
        self.results: list[Received] = []
        self.largest: dict[str, int] = {}
        self.fresh: list[tuple[float, float]] = []
        self._is_subscribed = threading.Event()
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=_WITNESS, clean_session=False
        )
        client.username_pw_set(_WITNESS, _WITNESS_WORD)
        client.on_connect = lambda it, *_: it.subscribe(f"{_BELOW}#", 1)
        client.on_subscribe = lambda *_: self._is_subscribed.set()
        client.on_message = self._note
        client.reconnect_delay_set(1, 1)
        client.connect(HOST, port, keepalive=60)
        client.loop_start()
        self._client = client
        if not self._is_subscribed.wait(20.0):
            msg = "the broker does not take the witness's subscription"
            raise TimeoutError(msg)

    def _note(
        self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage
    ) -> None:
        size = max(self.largest.get(message.topic, 0), len(message.payload))
        self.largest[message.topic] = size
        _, _, rest = message.topic.removeprefix(_BELOW).partition("/")
        if rest == "result":
            told = json.loads(message.payload)
            payload = bytes(message.payload)
            self.results.append(Received(told["id"], told["revision"], payload))
        elif rest.startswith("live/"):
            at_utc_s = json.loads(message.payload)[0]["bt"]
            self.fresh.append((at_utc_s, time.monotonic()))

    def live_after(self, utc_s: float) -> float | None:
        """When the first reading came that was taken after this UTC [s of time.monotonic()]."""
        return next((at for taken, at in tuple(self.fresh) if taken >= utc_s), None)

    def leave(self) -> None:
        """Go, and be forgotten by nobody: the broker keeps the session."""
        self._client.disconnect()
        self._client.loop_stop()


@dataclass(frozen=True, slots=True)
class Delivery:
    """How the results of one session came over.

    Attributes:
        received: Different ones [1].
        repeats: Received once more [1].
        altered: Repeats that are not the same, byte by byte, as the first [1].
        disorder: Results that came for the first time after a later one, or repeats that are not of the newest [1].
    """

    received: int
    repeats: int
    altered: int
    disorder: int


def delivery(results: list[Received], trials: list[str]) -> Delivery:
    """Hold what was received against the trials, in the order in which they were begun."""
    place = {trial: number for number, trial in enumerate(trials)}
    first: dict[tuple[int, int], bytes] = {}
    altered = disorder = 0
    newest = (-1, -1)
    for each in results:
        at = place.get(each.trial, -1), each.revision
        altered += first.setdefault(at, each.payload) != each.payload
        disorder += at < newest
        newest = max(newest, at)
    return Delivery(len(first), len(results) - len(first), altered, disorder)
