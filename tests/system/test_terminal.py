"""`daq run` on a real terminal: the live slip is drawn, the operator's key starts and ends a trial."""

import os
import pty
import select
import signal
import subprocess
import sys
import threading

import pytest

from tests.system.bench_process import ROOT, SPEED, BenchFolder, Simulators

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]

START = '[start]\nchannel = "current"\non_above = 0.15\noff_below = 0.05\n'


class Terminal:
    """A program on a pseudo-terminal of 130 columns and 40 lines; everything it draws is kept."""

    def __init__(self, command):
        self._master, slave = pty.openpty()
        environment = {
            **os.environ,
            "COLUMNS": "130",
            "LINES": "40",
            "TERM": "xterm-256color",
        }
        self.process = subprocess.Popen(
            command,
            cwd=ROOT,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=environment,
            start_new_session=True,
        )
        os.close(slave)
        self.drawn = b""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self):
        while self.process.poll() is None:
            if select.select([self._master], [], [], 0.1)[0]:
                try:
                    self.drawn += os.read(self._master, 65536)
                except OSError:
                    return

    def press(self, key):
        os.write(self._master, key)

    def finish(self, within_s=15):
        code = self.process.wait(within_s)
        self._reader.join(5)
        os.close(self._master)
        return code


@pytest.fixture
def bench(tmp_path):
    bench = BenchFolder(tmp_path, "filters")
    bench.edit("plan.toml", START, "")
    return bench


@pytest.fixture
def simulators(bench):
    simulators = Simulators(bench, alone=True)
    yield simulators
    simulators.stop()


def test_without_a_start_channel_the_enter_key_starts_and_ends_a_trial(
    bench, simulators
):
    command = [
        sys.executable,
        "-m",
        "daq",
        "run",
        str(bench.path / "bench.toml"),
        str(bench.path / "plan.toml"),
    ]
    terminal = Terminal([*command, "--speed", SPEED])
    bench.wait_for(
        lambda s: (
            s["stage"]["name"] == "waiting" and s["instruments"][0]["state"] == "ok"
        )
    )
    simulators.say("fit no filter")
    simulators.say("on")
    state = bench.wait_for(lambda s: (s["channels"][1]["value"] or 0.0) > 0.3)
    assert state["stage"]["name"] == "waiting"
    terminal.press(b"\r")
    bench.wait_for(lambda s: s["stage"]["name"] == "settling")
    terminal.press(b"\r")
    state = bench.wait_for(lambda s: s["stage"]["name"] == "waiting")
    assert state["slip"][0]["state"] == "unfinished"
    assert "too soon" in state["events"][0]["text"]
    os.killpg(terminal.process.pid, signal.SIGINT)
    assert terminal.finish() == 130
    for words in (
        "Leave the filter frame empty, then switch on.",
        "Keep it running.",
        "coarse filter",
        "Duct velocity",
    ):
        assert words.encode() in terminal.drawn
    assert b"Traceback" not in terminal.drawn
