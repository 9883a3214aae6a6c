"""The publisher and a broker that goes away, comes back, or is stuck."""

import asyncio
import signal
import tracemalloc
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from daq.errors import StoreFailingError
from tests.runtime.brokers import (
    HOST,
    LIVE,
    TOPICS,
    WRONG_WORD,
    Bench,
    Mosquitto,
    Subscriber,
    free_port,
)
from tests.runtime.waiting import until

pytestmark = pytest.mark.usefixtures("nothing_is_left_open")


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
    assert "gives no welcome within 1.2 s: it is stuck, or does not know" in text
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
