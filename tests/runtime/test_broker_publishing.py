"""What the bench says over MQTT of itself: idle, in a session, in trouble; how often; and what it listens to."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daq.config.bench import Bench, parse_bench
from daq.errors import ConfigurationError
from daq.messages import parse_state, render_ask
from daq.operations import Operation
from daq.runtime.clock import Clock
from daq.runtime.publishing import Publishing
from daq.runtime.snapshot import (
    AlarmLine,
    AverageLine,
    ChannelLine,
    ClockLine,
    InstrumentLine,
    PartLine,
    SessionLine,
    SlipLine,
    Snapshot,
    StageLine,
)
from daq.runtime.store import Store
from tests.runtime.brokers import HOST, Subscriber
from tests.runtime.conftest import BENCH, MAINS, VANE
from tests.runtime.test_broker_asking import Asker
from tests.runtime.waiting import until

pytestmark = pytest.mark.usefixtures("nothing_is_left_open")

UTC = "2026-01-05T10:00:00.000Z"
POWER = ChannelLine(
    name="power",
    title="Power",
    quantity="power",
    unit="W",
    place="",
    decimals=1,
    required=True,
    instrument="meter",
    interval_s=1.0,
    value=1234.5,
    at_s=1.0,
    condition="ok",
    holding_back=None,
    mean=None,
    expanded_uncertainty=None,
)
CURRENT = replace(POWER, name="current", title="Current", unit="A", required=False)
IDLE = Snapshot(
    format=2,
    bench="leads",
    plan="",
    machine="",
    clock=ClockLine(1.0, UTC, 1.0),
    session=None,
    stage=StageLine("idle", None, None, None, "", ""),
    instruction="The bench is idle.",
    urgency="normal",
    condition=None,
    trial=None,
    channels=(),
    slip=(),
    instruments=(InstrumentLine("meter", "ports/meter", "ok", "answers", 7, 1),),
    store=PartLine("ok", ""),
    broker=PartLine("ok", ""),
    alarms=(),
    events=(),
)
IN_SESSION = replace(
    IDLE,
    plan="long leads",
    machine="Blower",
    session=SessionLine(3, "paused", 1, 4, skipped=1),
    stage=StageLine("averaging", 1.0, None, 45.0, "about 45 s more", ""),
    instruction="Keep it running, about 45 s more.",
    channels=(CURRENT, POWER),
    slip=(
        SlipLine(
            position=1,
            condition="short lead",
            repeat=1,
            baseline=True,
            state="done",
            averages={
                "current": AverageLine(6.0, 0.1, "A", 2),
                "power": AverageLine(1385.5, 7.9, "W", 1),
            },
            note=None,
            trial=1,
        ),
    ),
)


def bench_with(operations: list[str], *, port: int = 1883) -> Bench:
    table = f'[broker]\nhost = "{HOST}"\nport = {port}\noperations = {operations}\n'
    profiles = {"mains": ("mains.toml", MAINS), "vane": ("vane.toml", VANE)}
    text = BENCH.replace("[page]", table + "[page]")
    return parse_bench(text, file="bench.toml", find_profile=profiles.get)


class Told:
    """A service's publishing, and another program that listens."""

    def __init__(self, publishing: Publishing, watcher: Subscriber) -> None:
        self.publishing = publishing
        self.watcher = watcher

    def all(self, topic: str) -> list[dict[str, Any]]:
        return [json.loads(each) for each in self.watcher.payloads(topic)]

    async def next(
        self, topic: str, wanted: Callable[[dict[str, Any]], bool]
    ) -> dict[str, Any]:
        await until(lambda: any(wanted(each) for each in self.all(topic)))
        return next(each for each in self.all(topic) if wanted(each))


@pytest.fixture
async def store(bench: Bench, tmp_path: Path) -> AsyncIterator[Store]:
    store = Store.open(
        tmp_path / "bench.db",
        instruments=bench.channels_by_instrument(),
        on_trouble=lambda _: None,
        loop=asyncio.get_running_loop(),
    )
    yield store
    await store.close()


@asynccontextmanager
async def telling(
    bench: Bench,
    port: int,
    store: Store,
    *,
    on_ask: Callable[[Operation], Any] | None = None,
) -> AsyncIterator[Told]:
    states: list[str] = []
    watcher = Subscriber()
    publishing = Publishing(
        bench,
        address=(HOST, port),
        base=Path(),
        store=store,
        clock=Clock(),
        on_state=lambda state, _: states.append(state),
        on_ask=on_ask,
    )
    async with watcher.listening(port), asyncio.TaskGroup() as tasks:
        task = tasks.create_task(publishing.run())
        await until(lambda: "ok" in states)
        yield Told(publishing, watcher)
        task.cancel()


@pytest.mark.slow
async def test_a_bench_is_told_idle_then_in_a_session_then_idle_again(
    any_port: int, bench: Bench, store: Store
) -> None:
    async with telling(bench, any_port, store) as told:
        topics = told.publishing.topics
        told.publishing.snapshot(IDLE)
        idle = await told.next(topics.state, lambda s: s["stage"] == "idle")
        told.publishing.snapshot(IN_SESSION)
        state = await told.next(topics.state, lambda s: s["stage"] == "averaging")
        slip = await told.next(topics.slip, lambda s: s["session"] == 3)
        told.publishing.snapshot(IDLE)
        await until(lambda: told.all(topics.state)[-1]["stage"] == "idle")
        await until(lambda: told.all(topics.slip)[-1]["session"] is None)
    assert idle == {
        "format": 1,
        "at_utc": UTC,
        "stage": "idle",
        "instruction": "The bench is idle.",
        "condition": None,
        "trial": None,
        "done": 0,
        "total": 0,
        "seconds_left": None,
        "skipped": 0,
        "urgency": "normal",
        "session": None,
        "alarms": [],
    }
    assert state["session"] == {
        "number": 3,
        "plan": "long leads",
        "machine": "Blower",
        "state": "paused",
        "required": ["power"],
    }
    # The running count has a key of its own.
    assert (state["instruction"], state["seconds_left"]) == ("Keep it running.", 45.0)
    assert (state["done"], state["total"], state["skipped"]) == (1, 4, 1)
    (line,) = slip["lines"]
    assert line["averages"] == [
        {"channel": "power", "unit": "W", "mean": 1385.5, "expanded_uncertainty": 7.9}
    ]


@pytest.mark.slow
async def test_an_alarm_is_told_with_its_time_and_a_running_count_is_no_news(
    any_port: int, bench: Bench, store: Store
) -> None:
    def alarmed(seconds: int) -> Snapshot:
        text = f"Current is above 13.0 A (rating of the plug), for {seconds} s. Switch off at the plug."
        return replace(IN_SESSION, alarms=(AlarmLine(text, 100.0),))

    async with telling(bench, any_port, store) as told:
        topic = told.publishing.topics.state
        for seconds in (3, 4, 5):
            told.publishing.snapshot(alarmed(seconds))
        state = await told.next(topic, lambda s: bool(s["alarms"]))
        told.publishing.snapshot(IN_SESSION)
        await until(lambda: not told.all(topic)[-1]["alarms"])
        states = told.all(topic)
    (alarm,) = state["alarms"]
    assert alarm["text"] == (
        "Current is above 13.0 A (rating of the plug). Switch off at the plug."
    )
    assert alarm["since_utc"].endswith("Z")
    assert len(states) == 2


@pytest.mark.slow
async def test_times_in_the_operators_own_words_are_told_whole(
    any_port: int, bench: Bench, store: Store
) -> None:
    cool = "Let it cool for 300 s, then fit the thin lead, then switch on."
    reason = (
        "Current 13.4 A is above 13.0 A (13 A, for 60 s){}. Switch off at the plug."
    )
    alarm = AlarmLine(reason.format(", for 7 s"), 100.0)
    waiting = replace(
        IN_SESSION,
        stage=StageLine("waiting", 1.0, None, None, "", ""),
        instruction=cool,
        alarms=(alarm,),
    )
    async with telling(bench, any_port, store) as told:
        told.publishing.snapshot(waiting)
        topic = told.publishing.topics.state
        state = await told.next(topic, lambda s: s["stage"] == "waiting")
    assert state["instruction"] == cool
    assert [each["text"] for each in state["alarms"]] == [reason.format("")]


@pytest.mark.slow
async def test_state_is_told_at_most_four_times_a_second_and_the_newest_in_the_end(
    any_port: int, bench: Bench, store: Store
) -> None:
    def counted(number: int) -> Snapshot:
        return replace(IDLE, instruction=f"number {number}")

    loop = asyncio.get_running_loop()
    async with telling(bench, any_port, store) as told:
        topic = told.publishing.topics.state
        began_s = loop.time()
        for number in range(200):
            told.publishing.snapshot(counted(number))
            await asyncio.sleep(0)
        ended_s = loop.time()
        await until(
            lambda: any(s["instruction"] == "number 199" for s in told.all(topic))
        )
        # One at once, one a quarter of a second, and the last.
        assert len(told.all(topic)) <= 2 + (ended_s - began_s) / 0.25
        # At a clean end nothing is left behind.
        told.publishing.snapshot(counted(200))
        told.publishing.snapshot(counted(201))
    late = Subscriber()
    async with late.listening(any_port):
        await until(lambda: late.last(topic) is not None)
    assert parse_state(late.last(topic) or "").instruction == "number 201"


@pytest.mark.slow
async def test_health_tells_of_the_service_itself(
    any_port: int, bench: Bench, store: Store
) -> None:
    async with telling(bench, any_port, store) as told:
        topic = told.publishing.topics.health
        told.publishing.health(IDLE)
        health = await told.next(topic, bool)
    assert health["software"].startswith("steadybench ")
    assert health["uptime_s"] >= 0.0
    assert (health["store_state"], health["live_dropped"]) == ("ok", 0)
    assert health["instruments"] == [
        {"name": "meter", "state": "ok", "text": "answers", "readings": 7, "gaps": 1}
    ]


# ---- what is listened to


def test_a_bench_file_may_allow_these_three_operations_and_no_other() -> None:
    broker = bench_with(["start", "skip", "note"]).broker
    assert broker is not None
    assert broker.operations == ["start", "skip", "note"]
    with pytest.raises(ConfigurationError, match="operations"):
        bench_with(["stop"])
    with pytest.raises(ConfigurationError, match="named more than once: skip"):
        bench_with(["skip", "skip"])


@pytest.mark.slow
@pytest.mark.parametrize("allowed", [True, False], ids=["allowed", "not allowed"])
async def test_operations_are_taken_only_where_the_bench_file_says_so(
    any_port: int, store: Store, *, allowed: bool
) -> None:
    asked: list[Operation] = []

    async def operate(operation: Operation) -> str:
        asked.append(operation)
        return "Noted."

    bench = bench_with(["note"] if allowed else [], port=any_port)
    async with telling(bench, any_port, store, on_ask=operate) as told:
        topics = told.publishing.topics
        payload = render_ask(
            "7c9e6679-7425-40de-944b-e07fc1f90ae7",
            sent_utc=Clock().utc_text(),
            operation="note",
            details={"text": "hose kinked"},
        ).encode()
        asker = Asker(any_port, told.watcher)
        await asker.ask(payload)
        await until(lambda: bool(told.watcher.payloads(topics.ask)))
        # Whatever is told after it has come after it.
        told.publishing.snapshot(IDLE)
        await told.next(topics.state, bool)
        if allowed:
            await until(lambda: bool(asker.answers()))
    assert len(asked) == allowed
    assert len(asker.answers()) == allowed
