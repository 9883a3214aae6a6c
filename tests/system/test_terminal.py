"""`daq run` on a real terminal: the live slip is drawn, the operator's key starts and ends a trial."""

import os
import signal
import sys

import pytest

from tests.system.bench_process import (
    SPEED,
    BenchFolder,
    Simulators,
    Terminal,
    run_command,
)

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]

START = '[start]\nchannel = "current"\non_above = 0.15\noff_below = 0.05\n'


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
    terminal = Terminal(run_command(bench))
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
    assert "before it had settled" in state["events"][0]["text"]
    terminal.signal(signal.SIGINT)
    assert terminal.finish() == 130
    for words in (
        "Leave the filter frame empty, then switch on and press Enter.",
        "Keep it running.",
        "coarse filter",
        "Duct velocity",
    ):
        assert words.encode() in terminal.drawn
    assert b"Traceback" not in terminal.drawn


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)]
)
@pytest.mark.usefixtures("simulators")
def test_a_session_outlives_its_terminal_and_ends_at_a_signal(
    bench, tmp_path, number, code
):
    command = [
        sys.executable,
        "-m",
        "daq",
        "run",
        str(bench.path / "bench.toml"),
        str(bench.path / "plan.toml"),
    ]
    with (tmp_path / "complaints").open("w+", encoding="utf-8") as complaints:
        terminal = Terminal([*command, "--speed", SPEED], stderr=complaints)
        state = bench.wait_for(lambda s: s["stage"]["name"] == "waiting")
        terminal.hang_up()
        # It goes on measuring and showing its page, and has drawn many times meanwhile.
        later_s = state["clock"]["now_s"] + 2.0 * float(SPEED)
        bench.wait_for(
            lambda s: (
                s["clock"]["now_s"] > later_s and s["instruments"][0]["state"] == "ok"
            )
        )
        os.kill(terminal.process.pid, number)
        assert terminal.finish() == code
        complaints.seek(0)
        assert complaints.read() == ""
