"""The contract of publisher and broker: both brokers, the embedded one and one of the system, do what is relied on."""

import json
import sys
from pathlib import Path

import pytest

from daq.runtime.broker import EMBEDDED_HOST
from tests.runtime.brokers import (
    LIVE,
    TOPICS,
    Bench,
    Mosquitto,
    Subscriber,
    start_program,
)
from tests.runtime.waiting import PATIENCE_S, until

pytestmark = pytest.mark.usefixtures("nothing_is_left_open")

ROOT = Path(__file__).parents[2]


def status(state: str) -> dict[str, object]:
    return {"format": 1, "state": state}


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
