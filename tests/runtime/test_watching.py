"""`daq watch` as a program, against what the test publishes at a broker: lost brokers, rubbish, several benches."""

import asyncio
import json
import os
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from tests.core.message_examples import EXAMPLES
from tests.runtime.brokers import (
    HOST,
    TOPICS,
    Bench,
    Mosquitto,
    find_program,
    run_program,
)
from tests.runtime.waiting import until

ROOT = Path(__file__).parents[2]
WATCH = [sys.executable, "-m", "daq", "watch"]
RETAINED = ("bench", "state", "slip", "health")


class Watch:
    """The program with its lines, as somebody who reads them sees them."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process
        self.lines: list[str] = []

    async def read(self) -> None:
        assert self.process.stdout is not None
        while line := await self.process.stdout.readline():
            self.lines.append(line.decode().rstrip("\n"))

    def has(self, words: str) -> bool:
        return any(words in line for line in self.lines)

    def messages(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.lines]


@asynccontextmanager
async def watching(*arguments: str) -> AsyncIterator[Watch]:
    process = await asyncio.create_subprocess_exec(
        *(*WATCH, *arguments),
        cwd=ROOT,
        env={**os.environ, "PYTHONWARNINGS": "error"},
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    watch = Watch(process)
    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(watch.read())
        try:
            yield watch
        finally:
            if process.returncode is None:
                process.kill()
            await process.wait()


async def interrupted(watch: Watch, number: int = signal.SIGINT) -> int:
    watch.process.send_signal(number)
    return await watch.process.wait()


def told(bench: Bench) -> None:
    for about in RETAINED:
        bench.publisher.set_retained(f"steadybench/leads/{about}", EXAMPLES[about])


@pytest.mark.slow
async def test_plain_lines_follow_a_bench_until_interrupted(any_port: int) -> None:
    bench = Bench(any_port)
    told(bench)
    async with bench.running() as publisher, watching(f"mqtt://{HOST}:{any_port}") as w:
        await until(lambda: w.has("Keep it running. (averaging, 1.5 mm2, 25 m"))
        publisher.publish_live(TOPICS.live("meter-1"), EXAMPLES["live"])
        await until(lambda: w.has("Power 1386.2 W"))
        code = await interrupted(w)
    assert code == 130
    assert not w.has("Traceback")


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_it_outlives_a_broker_and_says_that_the_bench_is_offline(
    mosquitto: Mosquitto,
) -> None:
    port = await mosquitto.start()
    bench = Bench(port)
    told(bench)
    async with watching(f"mqtt://{HOST}:{port}/leads", "--plain") as w:
        async with bench.running():
            await until(lambda: w.has("The bench is online."))
            mosquitto.signal(signal.SIGKILL)
            await until(lambda: w.has("Broker lost: the connection was lost."))
            await mosquitto.stop()
            await mosquitto.start()
            await until(lambda: sum("Connected" in x for x in w.lines) == 2)
            await until(lambda: bench.is_("ok"))
        await until(lambda: w.has("The bench is offline"))
        code = await interrupted(w, signal.SIGTERM)
    assert code == 143


@pytest.mark.slow
async def test_json_tells_every_message_and_rubbish_ends_nothing(any_port: int) -> None:
    bench = Bench(any_port)
    told(bench)
    async with (
        bench.running() as publisher,
        watching(f"mqtt://{HOST}:{any_port}/leads", "--json") as w,
    ):
        await until(lambda: w.has('"about": "health"'))
        async with aiomqtt.Client(HOST, any_port) as stranger:
            await stranger.publish(TOPICS.state, b"\x1b[2J\xff", qos=1)
        await until(lambda: w.has('"fault"'))
        publisher.publish_live(TOPICS.live("meter-1"), EXAMPLES["live"])
        await until(lambda: w.has('"about": "live"'))
        assert await interrupted(w) == 130
    by_topic = {each.get("topic"): each for each in w.messages()}
    assert by_topic[TOPICS.description]["message"] == json.loads(EXAMPLES["bench"])
    assert by_topic[TOPICS.live("meter-1")]["retained"] is False


@pytest.mark.slow
async def test_a_reader_who_has_seen_enough_ends_it_quietly(any_port: int) -> None:
    bench = Bench(any_port)
    told(bench)
    command = f"{' '.join(WATCH)} mqtt://{HOST}:{any_port}/leads --json | head -n 1; exit ${{PIPESTATUS[0]}}"
    async with bench.running() as publisher:
        process = await asyncio.create_subprocess_exec(
            *("bash", "-c", command),
            cwd=ROOT,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        ended = asyncio.get_running_loop().create_task(process.communicate())
        while not ended.done():
            publisher.publish_live(TOPICS.live("meter-1"), EXAMPLES["live"])
            await asyncio.sleep(0.05)
        out, err = await ended
    assert (process.returncode, err) == (0, b"")
    assert out.count(b"\n") == 1


# ---- which bench, which broker


@pytest.mark.slow
async def test_without_a_bench_several_are_listed(any_port: int) -> None:
    async with aiomqtt.Client(HOST, any_port) as client:
        for name, state in (("leads", "online"), ("hoses", "offline")):
            payload = json.dumps({"format": 1, "state": state})
            topic = f"steadybench/{name}/status"
            await client.publish(topic, payload, qos=1, retain=True)
    async with watching(f"mqtt://{HOST}:{any_port}") as w:
        code = await w.process.wait()
    assert code == 2
    assert w.has("several benches, hoses (offline), leads (online); expected one")


@pytest.mark.slow
async def test_without_any_bench_it_says_so(any_port: int) -> None:
    async with watching(f"mqtt://{HOST}:{any_port}/") as w:
        code = await w.process.wait()
    assert code == 2
    assert w.has("no bench has told this broker anything")


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_a_user_comes_in_with_the_password_of_a_file(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    passwords, word = tmp_path / "passwords", tmp_path / "word"
    program = find_program("mosquitto_passwd")
    run_program(program, "-b", "-c", str(passwords), "bench", "sesame")
    mosquitto.configure("allow_anonymous false", f"password_file {passwords}")
    port = await mosquitto.start()
    address = f"mqtt://bench@{HOST}:{port}/leads"
    word.write_text("sesame\n", encoding="utf-8")
    async with watching(address, "--password-file", str(word)) as w:
        await until(lambda: w.has("Connected to the broker."))
        assert await interrupted(w) == 130
    word.write_text("barley\n", encoding="utf-8")
    async with watching(address, "--password-file", str(word)) as w:
        code = await w.process.wait()
    assert code == 5
    assert w.has("it refuses the user name or the password")
