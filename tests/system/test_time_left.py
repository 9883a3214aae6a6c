"""How much longer a trial takes, through the whole program: page, terminal and broker tell the same."""

import asyncio
import json
import re
import signal
import threading

import aiomqtt
import pytest

from tests.system.bench_process import (
    BenchFolder,
    Simulators,
    Terminal,
    run_command,
)

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]

LONGEST_S = 600.0
COUNTED = {"settling", "averaging"}


class StateWatcher:
    """Collects what the state topic tells, until the broker ends."""

    def __init__(self, port):
        self.told = []
        self._port = port
        self._thread = threading.Thread(target=lambda: asyncio.run(self._listen()))
        self._thread.start()

    async def _listen(self):
        try:
            async with aiomqtt.Client("127.0.0.1", self._port) as client:
                await client.subscribe("steadybench/+/state")
                async for message in client.messages:
                    self.told.append(json.loads(message.payload))
        except aiomqtt.MqttError:
            return  # the broker ends with the session

    def join(self):
        self._thread.join(20)
        assert not self._thread.is_alive()


@pytest.fixture
def bench(tmp_path):
    bench = BenchFolder(tmp_path, "filters")
    text = (bench.path / "plan.toml").read_text(encoding="utf-8")
    assert "trial_longest_s" not in text
    bench.edit("plan.toml", "format = 1\n", f"format = 1\ntrial_longest_s = {LONGEST_S}\n")  # fmt: skip
    return bench


@pytest.fixture
def simulators(bench):
    simulators = Simulators(bench)
    yield simulators
    simulators.stop()


@pytest.mark.usefixtures("simulators")
def test_page_terminal_and_broker_say_how_much_longer_it_takes(bench):
    terminal = Terminal(run_command(bench))
    state = bench.wait_for(lambda s: s["broker"]["state"] == "ok")
    watcher = StateWatcher(int(state["broker"]["text"].rsplit(":", 1)[1]))
    seen = []

    def is_done(state):
        seen.append(state)
        return state["stage"]["name"] == "done"

    bench.wait_for(is_done)
    terminal.signal(signal.SIGINT)
    assert terminal.finish() == 130
    watcher.join()

    counted = [s for s in seen if s["stage"]["seconds_left"] is not None]
    assert {s["stage"]["name"] for s in counted} == COUNTED
    for s in counted:
        stage, elapsed_s = s["stage"], s["clock"]["now_s"] - s["trial"]["started_s"]
        assert 0.0 <= stage["seconds_left"] <= LONGEST_S - elapsed_s
        assert stage["seconds_left"] % 5.0 == 0.0
        assert stage["time_left"] in s["instruction"]
    for s in seen:
        if s["stage"]["seconds_left"] is None:
            assert s["stage"]["time_left"] == ""
            assert " more" not in s["instruction"]

    drawn = terminal.drawn.decode("utf-8", "replace")
    assert re.search(r"Keep it running, about \S+ (s|min) more\.", drawn)

    told = [t["seconds_left"] for t in watcher.told if t["stage"] in COUNTED]
    assert [s for s in told if s is not None]
    assert not any("more" in t["instruction"] for t in watcher.told)
