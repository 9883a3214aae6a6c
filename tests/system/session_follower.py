"""Follow a test bench over MQTT until its session is finished, then print what was seen as JSON.

Written from the README's chapter "Over MQTT" alone, by somebody who had not read the program: it shows that the chapter is enough.
"""

import argparse
import asyncio
import contextlib
import json
import logging
import re
import sys
import time
from collections.abc import Callable
from typing import Any, TypeVar

import aiomqtt

T = TypeVar("T")
LOG = logging.getLogger("session_follower")
GONE_AFTER_S = 10.0  # neither status nor health for so long: the bench is gone
LATE_S = 3.0  # results, the slip or "offline" may still come so long after "finished"
TICK_S = 0.2
QOS = {
    "status": 1,
    "bench": 1,
    "state": 1,
    "slip": 1,
    "result": 1,
    "health": 0,
}  # status first


def need(record: object, key: str, kind: type[T]) -> T:
    """The value of a key, which must be there and of the kind (an integer will do for a float)."""
    value = record.get(key) if isinstance(record, dict) else None
    if kind is float and type(value) is int:
        value = float(value)
    if type(value) is not kind:
        raise ValueError(f"{key}: {kind.__name__} expected")
    return value


def parse(payload: bytes) -> Any:
    """JSON without NaN or infinity."""

    def refuse(name: str) -> None:
        raise ValueError(f"{name} is not JSON")

    return json.loads(payload, parse_constant=refuse)


def expect_format(message: object) -> None:
    """Refuse a message of another form."""
    if need(message, "format", int) != 1:
        raise ValueError("unknown format")


class Follower:
    """What is known of one bench, and which of its sessions are followed."""

    def __init__(self, bench: str, sessions: int = 1) -> None:
        """Follow so many sessions; the bench's name becomes part of the topics."""
        self.bench = bench
        self.prefix = (
            "steadybench/" + re.sub(r"[+#/\x00-\x1f\x7f-\x9f]", "_", bench) + "/"
        )
        self.instruments: dict[str, str] = {}  # by topic
        self.finished_at: float | None = None
        self.last_sign: float | None = (
            None  # of the bench; None while there is no broker
        )
        self._sessions = sessions
        self._online = self._online_seen = self._offline_seen = False
        self._speed = 1.0
        self._channels: dict[str, dict[str, str]] = {}
        self._live: dict[str, int] = {}
        self._old_at: dict[str, float] = {}
        self._stale: set[str] = set()
        self._stages: list[str] = []
        self._alarms: list[dict[str, str]] = []
        self._followed: dict[int | None, bool] = {}  # session number: finished
        self._slips: dict[int | None, list[dict[str, str]]] = {}
        self._results: dict[str, dict[str, Any]] = {}

    def handle(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """Take in one message; one that is not as documented is passed over."""
        try:
            message = parse(payload)
            if topic in self.instruments:
                self._on_live(self.instruments[topic], message)
            else:
                expect_format(message)
                self._on_document(
                    topic.removeprefix(self.prefix), message, retained=retained
                )
        except (ValueError, RecursionError) as error:
            LOG.warning("%s passed over: %s", topic, error)

    def tick(self, now: float) -> bool:
        """Note what has become old by now; true when there is nothing more to wait for."""
        if self.last_sign is not None and now - self.last_sign > GONE_AFTER_S:
            self._set_online(online=False)
        if self.finished_at is not None:
            return not self._online or now - self.finished_at > LATE_S
        self._stale.update(
            name for name, old_at in self._old_at.items() if now > old_at
        )
        return False

    def report(self) -> dict[str, Any]:
        """Everything that was seen of the followed sessions."""
        results: dict[str, list[dict[str, Any]]] = {}
        for result in self._results.values():
            if self._is_followed(result["session"]):
                shown = {
                    key: result[key] for key in ("id", "state", "revision", "averages")
                }
                results.setdefault(result["condition"], []).append(shown)
        session = next(reversed(self._followed or self._slips), None)
        channels = {
            name: {"unit": channel["unit"], "place": channel["place"]}
            for name, channel in self._channels.items()
        }
        return {
            "bench": self.bench,
            "online_seen": self._online_seen,
            "channels": channels,
            "live": {name: self._live.get(name, 0) for name in channels},
            "stale_channels": sorted(self._stale),
            "stages": self._stages,
            "results": results,
            "slip": self._slips.get(session, []),
            "alarms": self._alarms,
            "offline_seen": self._offline_seen,
        }

    def _is_followed(self, session: int) -> bool:
        """Whether a result's session is followed; any may be where no numbers are told."""
        return session in self._followed or not self._followed or None in self._followed

    def _on_document(
        self, name: str, message: dict[str, Any], *, retained: bool
    ) -> None:
        handlers: dict[str, Callable[[dict[str, Any]], None]] = {
            "bench": self._on_bench,
            "slip": self._on_slip,
            "result": self._on_result,
        }
        if name == "status":
            self.last_sign = time.monotonic()
            self._set_online(online=need(message, "state", str) == "online")
        elif name == "health" and not retained:
            self.last_sign = time.monotonic()
            self._set_online(online=True)
        elif name == "state" and (self._online or not retained):
            self._on_state(message)
        elif name in handlers:
            handlers[name](message)

    def _set_online(self, *, online: bool) -> None:
        """An "offline" from before the bench was first online does not count as seen."""
        self._offline_seen |= self._online and not online
        self._online_seen |= online
        self._online = online

    def _on_bench(self, message: dict[str, Any]) -> None:
        speed = need(message, "speed", float)
        if speed <= 0.0:
            raise ValueError("speed: must be above 0")
        instruments = {
            need(entry, "topic", str): need(entry, "name", str)
            for entry in need(message, "instruments", list)
        }
        if not all(
            re.fullmatch(re.escape(self.prefix) + r"live/[^+#/]+", t)
            for t in instruments
        ):
            raise ValueError("topic: not one of this bench's")
        keys = ("unit", "place", "instrument")
        self._channels = {
            need(entry, "name", str): {k: need(entry, k, str) for k in keys}
            for entry in need(message, "channels", list)
        }
        self._speed, self.instruments = speed, instruments

    def _on_live(self, instrument: str, pack: object) -> None:
        records = (
            [r for r in pack if isinstance(r, dict)] if isinstance(pack, list) else []
        )
        values = {need(r, "n", str): need(r, "v", float) for r in records if "v" in r}
        interval_s = values.pop("expected_interval", 0.0) / self._speed
        for name in values:
            if self._channels.get(name, {}).get("instrument") == instrument:
                self._live[name] = self._live.get(name, 0) + 1
                self._old_at[name] = time.monotonic() + max(2.0, 2.5 * interval_s)

    def _on_state(self, message: dict[str, Any]) -> None:
        """Take in a state, unless it tells of a session that had ended before it was followed."""
        stage = need(message, "stage", str)
        session = message.get("session")
        number = None if session is None else need(session, "number", int)
        finished = (
            stage if session is None else need(session, "state", str)
        ) == "finished"
        alarms = need(message, "alarms", list) if "alarms" in message else []
        seen = [
            {key: need(entry, key, str) for key in ("text", "since_utc")}
            for entry in alarms
        ]
        if finished and number not in self._followed:
            return
        if session is not None or ("session" not in message and stage != "idle"):
            self._followed[number] = finished
        if stage not in self._stages:
            self._stages.append(stage)
        self._alarms.extend(alarm for alarm in seen if alarm not in self._alarms)
        if self.finished_at is None and sum(self._followed.values()) >= self._sessions:
            self.finished_at = time.monotonic()

    def _on_slip(self, message: dict[str, Any]) -> None:
        session = message.get("session")
        self._slips[session if type(session) is int else None] = [
            {key: need(line, key, str) for key in ("condition", "state")}
            for line in need(message, "lines", list)
        ]

    def _on_result(self, message: dict[str, Any]) -> None:
        keys = ("id", "condition", "state")
        result: dict[str, Any] = {key: need(message, key, str) for key in keys}
        result["revision"] = need(message, "revision", int)
        result["session"] = need(need(message, "session", dict), "number", int)
        result["averages"] = {
            need(a, "channel", str): [
                need(a, "mean", float), need(a, "expanded_uncertainty", float), need(a, "unit", str)
            ]
            for a in need(message, "averages", list)
        }  # fmt: skip
        known = self._results.get(result["id"])
        if known is None or result["revision"] > known["revision"]:
            self._results[result["id"]] = result


async def _listen(client: aiomqtt.Client, follower: Follower) -> None:
    """Subscribe, and to the topics of the live readings once the bench has told them."""
    follower.last_sign = time.monotonic()
    for name, qos in QOS.items():
        await client.subscribe(follower.prefix + name, qos=qos)
    subscribed: set[str] = set()
    async for message in client.messages:
        if isinstance(message.payload, bytes):
            follower.handle(
                str(message.topic), message.payload, retained=message.retain
            )
        for topic in follower.instruments.keys() - subscribed:
            subscribed.add(topic)
            await client.subscribe(topic, qos=0)


async def _stay_connected(host: str, port: int, follower: Follower) -> None:
    """Connect again whenever the broker is lost."""
    while True:
        try:
            async with aiomqtt.Client(host, port) as client:
                await _listen(client, follower)
        except aiomqtt.MqttError as error:
            LOG.warning("no broker: %s", error)
        follower.last_sign = None
        await asyncio.sleep(1.0)


async def follow(
    host: str, port: int, bench: str, *, longest_s: float, sessions: int = 1
) -> dict[str, Any]:
    """Follow a bench until so many sessions are finished, or for so long, and report."""
    follower = Follower(bench, sessions)
    async with asyncio.TaskGroup() as group:
        listener = group.create_task(_stay_connected(host, port, follower))
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(longest_s):
                while not follower.tick(time.monotonic()):  # noqa: ASYNC110 - silence sets no event
                    await asyncio.sleep(TICK_S)
        listener.cancel()
    return follower.report()


def main() -> None:
    """Read the command line, follow, and print the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("host")
    parser.add_argument("port", type=int)
    parser.add_argument("bench")
    parser.add_argument(
        "--sessions", type=int, default=1, help="how many to follow (1)"
    )
    parser.add_argument("--longest", type=float, default=600.0, metavar="SECONDS")
    args = parser.parse_args()
    logging.basicConfig(level=logging.WARNING)
    report = asyncio.run(
        follow(
            args.host,
            args.port,
            args.bench,
            longest_s=args.longest,
            sessions=args.sessions,
        )
    )
    sys.stdout.write(json.dumps(report, ensure_ascii=False) + "\n")


if __name__ == "__main__":
    main()
