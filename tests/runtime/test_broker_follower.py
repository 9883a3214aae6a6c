"""Whoever follows benches over a broker: what is heard, and what becomes of a broker that goes away."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from daq.errors import NetworkError
from daq.runtime.broker import Follower, Incoming
from tests.runtime.brokers import HOST, LIVE, TOPICS, Bench, Mosquitto, free_port
from tests.runtime.waiting import until

pytestmark = pytest.mark.usefixtures("nothing_is_left_open")


class Heard:
    """What a follower passed on."""

    def __init__(self) -> None:
        self.messages: list[Incoming] = []
        self.states: list[tuple[bool, str]] = []

    def payloads(self, topic: str) -> list[str]:
        return [each.payload.decode() for each in self.messages if each.topic == topic]

    @property
    def is_connected(self) -> bool:
        return bool(self.states) and self.states[-1][0]


@asynccontextmanager
async def following(port: int) -> AsyncIterator[Heard]:
    heard = Heard()
    follower = Follower(host=HOST, port=port, client_id="follower")
    async with asyncio.TaskGroup() as tasks:
        task = tasks.create_task(
            follower.listen(
                TOPICS.told,
                on_message=heard.messages.append,
                on_state=lambda is_there, text: heard.states.append((is_there, text)),
            )
        )
        await until(lambda: heard.is_connected)
        yield heard
        task.cancel()


@pytest.mark.slow
async def test_what_a_bench_tells_is_heard_and_what_was_kept_is_marked(
    any_port: int,
) -> None:
    bench = Bench(any_port)
    bench.publisher.set_retained(TOPICS.description, "what is there")
    async with bench.running() as publisher:
        # Results go out beside what is retained; live readings after it.
        await until(lambda: bench.is_("ok"))
        publisher.publish_live(LIVE, "before")
        async with following(any_port) as heard:
            await until(lambda: bool(heard.payloads(TOPICS.description)))
            publisher.publish_live(LIVE, "now")
            await until(lambda: "now" in heard.payloads(LIVE))
            bench.outbox.add(1)
            publisher.wake_outbox()
            await until(lambda: heard.payloads(TOPICS.result) == ["id-1"])
    kept = {each.topic: each.is_kept for each in heard.messages}
    assert not kept[LIVE]
    assert kept[TOPICS.status]


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_a_follower_outlives_its_broker(mosquitto: Mosquitto) -> None:
    port = await mosquitto.start()
    bench = Bench(port)
    async with bench.running() as publisher, following(port) as heard:
        await until(lambda: bench.is_("ok"))
        await mosquitto.stop()
        await until(lambda: not heard.is_connected and bench.is_("away"))
        publisher.set_retained(TOPICS.state, "set while it was away")
        await mosquitto.start()
        await until(lambda: heard.is_connected)
        await until(lambda: bool(heard.payloads(TOPICS.state)))
    assert heard.states[1] == (False, "the connection was lost")


async def test_a_broker_that_was_never_there_ends_the_following_in_words() -> None:
    port = free_port()
    follower = Follower(host=HOST, port=port, client_id="follower")
    with pytest.raises(NetworkError, match=f"broker {HOST}:{port}: nothing listens"):
        await follower.listen(
            TOPICS.told, on_message=lambda _: None, on_state=lambda *_: None
        )


async def refuse_subscription(
    reader: asyncio.StreamReader, writer: asyncio.StreamWriter
) -> None:
    """A broker that welcomes everybody and grants no topic (MQTT 3.1.1: 3.2, 3.9)."""
    while head := await reader.read(1):
        length, shift = 0, 0
        while True:  # 2.2.3, remaining length: seven bits a byte
            (more,) = await reader.readexactly(1)
            length |= (more & 0x7F) << shift
            shift += 7
            if more < 0x80:
                break
        body = await reader.readexactly(length)
        if head[0] >> 4 == 1:
            writer.write(b"\x20\x02\x00\x00")
        elif head[0] >> 4 == 8:
            granted = b"\x80" * len(TOPICS.told)
            writer.write(bytes([0x90, 2 + len(granted)]) + body[:2] + granted)
    writer.close()


async def test_a_broker_that_grants_no_topic_ends_the_following_in_words() -> None:
    server = await asyncio.start_server(refuse_subscription, HOST, 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        follower = Follower(host=HOST, port=port, client_id="follower")
        with pytest.raises(NetworkError, match="it does not let us hear steadybench/"):
            await follower.listen(
                TOPICS.told, on_message=lambda _: None, on_state=lambda *_: None
            )
