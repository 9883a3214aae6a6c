"""Operations over MQTT: what is carried out, what is refused, and what the asker hears of it."""

import asyncio
import json
import uuid
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import aiomqtt
import pytest

from daq.errors import OperationRefusedError, Refusal
from daq.messages import render_ask
from daq.operations import Note, Operation, SameAsBefore, Skip, Start
from daq.runtime.broker import Asking, Incoming
from tests.runtime.brokers import HOST, TOPICS, Bench, Mosquitto, Subscriber
from tests.runtime.waiting import until

SENT, UTC_S = "2026-01-05T10:12:13Z", 1_767_607_933.0
# date -u -d 2026-01-05T10:12:13Z +%s


def wish(
    operation: str = "skip",
    *,
    sent_utc: str = SENT,
    ask_id: str = "",
    **details: object,
) -> bytes:
    return render_ask(
        ask_id or str(uuid.uuid4()),
        sent_utc=sent_utc,
        operation=operation,
        details=details,
    ).encode()


class Service:
    """Carries out what it is asked to; refuses where it is told to."""

    def __init__(self) -> None:
        self.done: list[Operation] = []
        self.refusal: OperationRefusedError | None = None
        self.gate = asyncio.Event()
        self.gate.set()

    async def operate(self, operation: Operation) -> str:
        await self.gate.wait()
        if self.refusal is not None:
            raise self.refusal
        self.done.append(operation)
        return "done as asked."


class Asked:
    """Asking with its service, without a broker."""

    def __init__(self, *allowed: str) -> None:
        self.service = Service()
        self.answers: list[dict[str, Any]] = []
        self.asking = Asking(
            allowed=allowed or ("start", "skip", "note"),
            on_ask=self.service.operate,
            answer=lambda payload: self.answers.append(json.loads(payload)),
            utc_s=lambda: UTC_S,
        )

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        async with asyncio.TaskGroup() as tasks:
            task = tasks.create_task(self.asking.run())
            yield
            task.cancel()

    async def ask(self, payload: bytes, *, is_kept: bool = False) -> dict[str, Any]:
        before = len(self.answers)
        self.asking.arrived(Incoming(TOPICS.ask, payload, is_kept))
        await until(lambda: len(self.answers) > before)
        return self.answers[-1]


@pytest.mark.parametrize(
    ("payload", "operation"),
    [
        (wish("skip", reason="on another job"), Skip("on another job")),
        (wish("skip"), Skip("")),
        (wish("note", text=" hose\nkinked "), Note("hose kinked")),
        (wish("start", plan="leads"), Start("leads")),
        (
            wish(
                "start",
                plan="leads",
                new=True,
                same={"machine": True, "meters": False, "room": True},
            ),
            Start(
                "leads",
                new=True,
                same=SameAsBefore(machine=True, meters=False, room=True),
            ),
        ),
    ],
)
async def test_a_wish_becomes_the_operation(
    payload: bytes, operation: Operation
) -> None:
    asked = Asked()
    async with asked.running():
        answer = await asked.ask(payload)
    assert asked.service.done == [operation]
    assert answer == {
        "format": 1,
        "id": json.loads(payload)["id"],
        "taken": True,
        "text": "done as asked.",
    }


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (wish("note"), "text is missing, expected a text"),
        (wish("note", text="  "), "text is empty, expected some text"),
        (wish("note", text="x" * 501), "has 501 characters, expected at most 500"),
        (wish("start"), "plan is missing, expected a text"),
        (wish("start", plan="a", new=1), "new is 1, expected true or false"),
        (wish("start", plan="a", same=True), "same is True, expected an object"),
        (wish("start", plan="a", same={}), "machine is missing, expected true or"),
        (
            wish("start", plan="a", same={"house": True}),
            "house is True, expected no such key, same takes machine, meters, room",
        ),
        (wish("stop"), "operation is 'stop', expected one of start, skip, note"),
        (wish(sent_utc="2026-01-05T10:12:02Z"), "sent 11 s ago, expected at most 10"),
        (wish(sent_utc="2026-01-05T10:12:24Z"), "sent 11 s ahead of this computer"),
        (b"skip", "no JSON"),
    ],
)
async def test_a_wish_that_is_no_good_is_answered_with_what_is_wrong(
    payload: bytes, words: str
) -> None:
    asked = Asked()
    async with asked.running():
        answer = await asked.ask(payload)
    assert asked.service.done == []
    assert not answer["taken"]
    assert words in answer["text"]


async def test_an_operation_that_the_bench_file_does_not_allow_is_refused() -> None:
    asked = Asked("note", "skip")
    async with asked.running():
        answer = await asked.ask(wish("start", plan="leads"))
        await asked.ask(wish("note", text="x"))
    assert answer["text"] == (
        "ask: start is not allowed over MQTT, the bench file allows note, skip"
    )
    assert asked.service.done == [Note("x")]


async def test_a_refusal_of_the_service_is_the_answer() -> None:
    asked = Asked()
    asked.service.refusal = OperationRefusedError(
        Refusal.NO_SESSION, "no session is in hand; start one first"
    )
    async with asked.running():
        answer = await asked.ask(wish())
    assert not answer["taken"]
    assert answer["text"] == "no session is in hand; start one first"


async def test_what_the_broker_had_kept_is_never_carried_out() -> None:
    asked = Asked()
    async with asked.running():
        answer = await asked.ask(wish(), is_kept=True)
    assert "the broker had kept it" in answer["text"]
    assert asked.service.done == []


async def test_an_id_is_carried_out_once_whether_refused_or_not() -> None:
    asked = Asked()
    first, second = str(uuid.uuid4()), str(uuid.uuid4())
    async with asked.running():
        assert (await asked.ask(wish(ask_id=first)))["taken"]
        again = await asked.ask(wish("note", ask_id=first, text="x"))
        assert "this id was taken before" in again["text"]
        asked.service.refusal = OperationRefusedError(Refusal.NO_SESSION, "not now")
        assert (await asked.ask(wish(ask_id=second)))["text"] == "not now"
        asked.service.refusal = None
        assert not (await asked.ask(wish(ask_id=second)))["taken"]
    assert asked.service.done == [Skip("")]


async def test_what_is_no_good_uses_up_no_id() -> None:
    asked = Asked()
    ask_id = str(uuid.uuid4())
    async with asked.running():
        assert not (await asked.ask(wish("note", ask_id=ask_id)))["taken"]
        assert (await asked.ask(wish("note", ask_id=ask_id, text="x")))["taken"]


async def test_a_wish_that_waited_too_long_for_its_turn_is_too_old() -> None:
    now_s = [UTC_S]
    asked = Asked()
    asked.asking = Asking(
        allowed=["skip"],
        on_ask=asked.service.operate,
        answer=lambda payload: asked.answers.append(json.loads(payload)),
        utc_s=lambda: now_s[0],
    )
    asked.service.gate.clear()
    async with asked.running():
        for _ in range(2):
            asked.asking.arrived(Incoming(TOPICS.ask, wish(), is_kept=False))
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        now_s[0] += 10.5
        asked.service.gate.set()
        await until(lambda: len(asked.answers) == 2)
    assert [each["taken"] for each in asked.answers] == [True, False]
    assert asked.service.done == [Skip("")]


async def test_operations_that_pile_up_are_refused_at_once_and_hold_nothing_up() -> (
    None
):
    asked = Asked()
    asked.service.gate.clear()
    async with asked.running():
        for _ in range(100):
            asked.asking.arrived(Incoming(TOPICS.ask, wish(), is_kept=False))
        assert len(asked.answers) >= 100 - 17
        assert "too many operations are waiting" in asked.answers[0]["text"]
        asked.service.gate.set()
        await until(lambda: len(asked.answers) == 100)
    assert 1 <= len(asked.service.done) <= 17


# ---- over a broker


class Asker:
    """Another program that asks over a broker and hears the answers."""

    def __init__(self, port: int, watcher: Subscriber) -> None:
        self._port = port
        self._watcher = watcher

    async def ask(self, payload: bytes, *, retain: bool = False) -> None:
        async with aiomqtt.Client(HOST, self._port) as client:
            await client.publish(TOPICS.ask, payload, qos=1, retain=retain)

    def answers(self) -> list[dict[str, Any]]:
        return [json.loads(each) for each in self._watcher.payloads(TOPICS.answer)]


def hearing_bench(port: int, service: Service) -> tuple[Bench, Asking]:
    made: list[Bench] = []
    asking = Asking(
        allowed=["skip"],
        on_ask=service.operate,
        answer=lambda payload: made[0].publisher.answer(payload),  # noqa: PLW0108 - the bench is made later
        utc_s=lambda: UTC_S,
    )
    made.append(Bench(port, on_ask=asking.arrived))
    return made[0], asking


@asynccontextmanager
async def heard(port: int) -> AsyncIterator[tuple[Service, Asker]]:
    service, watcher = Service(), Subscriber()
    bench, asking = hearing_bench(port, service)
    async with asyncio.TaskGroup() as tasks, watcher.listening(port):
        task = tasks.create_task(asking.run())
        async with bench.running():
            await until(lambda: bench.is_("ok"))
            yield service, Asker(port, watcher)
        task.cancel()


@pytest.mark.slow
@pytest.mark.usefixtures("nothing_is_left_open")
async def test_a_wish_is_heard_and_answered_over_a_broker(any_port: int) -> None:
    async with heard(any_port) as (service, asker):
        await asker.ask(wish(reason="on another job"))
        await until(lambda: len(asker.answers()) == 1)
    assert service.done == [Skip("on another job")]
    assert asker.answers()[0]["taken"]


@pytest.mark.slow
@pytest.mark.usefixtures("nothing_is_left_open")
async def test_a_retained_wish_from_before_is_refused(any_port: int) -> None:
    async with aiomqtt.Client(HOST, any_port) as client:
        await client.publish(TOPICS.ask, wish(), qos=1, retain=True)
    async with heard(any_port) as (service, asker):
        await until(lambda: len(asker.answers()) == 1)
    assert service.done == []
    assert "the broker had kept it" in asker.answers()[0]["text"]


@pytest.mark.slow
@pytest.mark.mosquitto
@pytest.mark.usefixtures("nothing_is_left_open")
async def test_wishes_are_heard_again_after_the_broker_was_away(
    mosquitto: Mosquitto,
) -> None:
    port = await mosquitto.start()
    service, watcher = Service(), Subscriber()
    bench, asking = hearing_bench(port, service)
    async with bench.running(), asyncio.TaskGroup() as tasks:
        task = tasks.create_task(asking.run())
        await until(lambda: bench.is_("ok"))
        service.gate.clear()
        asker = Asker(port, watcher)
        await asker.ask(wish())
        # In hand while the broker goes away: it is carried out, and the answer waits.
        await mosquitto.stop()
        await until(lambda: bench.is_("away"))
        await mosquitto.start()
        async with watcher.listening(port):
            service.gate.set()
            await until(lambda: len(asker.answers()) == 1)
            await asker.ask(wish())
            await until(lambda: len(asker.answers()) == 2)
        task.cancel()
    assert len(service.done) == 2


@pytest.mark.slow
@pytest.mark.mosquitto
@pytest.mark.usefixtures("nothing_is_left_open")
async def test_an_answer_is_not_kept_by_the_broker(mosquitto: Mosquitto) -> None:
    port = await mosquitto.start()
    async with heard(port) as (_, asker):
        await asker.ask(wish())
        await until(lambda: len(asker.answers()) == 1)
        late = Subscriber()
        async with late.listening(port):
            await until(lambda: late.last(TOPICS.status) is not None)
    assert late.payloads(TOPICS.answer) == []
