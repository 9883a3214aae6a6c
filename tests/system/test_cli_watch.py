"""`daq watch` as a program: what it refuses, and a whole session on simulators followed in a terminal."""

import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.runtime.brokers import HOST, free_port
from tests.system.bench_process import BenchFolder, Run, Simulators, Terminal
from tests.system.command_line import Daq

WATCH = [sys.executable, "-m", "daq", "watch"]


def test_what_cannot_be_followed_is_said_at_once(run: Daq, tmp_path: Path) -> None:
    assert run("watch", "http://host/").code == 2
    nobody = run("watch", f"mqtt://{HOST}:{free_port()}/leads")
    assert (nobody.code, nobody.out) == (5, "")
    assert "nothing listens there" in nobody.err
    absent = run("watch", "mqtt://host/", "--password-file", tmp_path / "absent")
    assert absent.code == 2
    assert "no password can be read from it" in absent.err
    plain = run("watch", "mqtt://host/", "--ca-file", tmp_path / "ca.pem")
    assert plain.code == 2
    assert "expected mqtts://" in plain.err


# ---- a whole service


@pytest.fixture
def session(tmp_path: Path) -> Iterator[tuple[BenchFolder, Run]]:
    bench = BenchFolder(tmp_path, "leads")
    simulators = Simulators(bench, seed=3)
    run = Run(bench)
    yield bench, run
    run.end()
    simulators.stop()


def wait_drawn(terminal: Terminal, words: str) -> None:
    end = time.monotonic() + 60.0
    while words not in terminal.drawn.decode(errors="replace"):
        assert time.monotonic() < end, terminal.drawn[-3000:].decode(errors="replace")
        time.sleep(0.05)  # noqa: TID251  # real processes run at the pace of real time


@pytest.mark.slow
@pytest.mark.pty
def test_a_session_is_followed_in_a_terminal_until_its_broker_is_gone(
    session: tuple[BenchFolder, Run],
) -> None:
    bench, run = session
    state = bench.wait_for(lambda s: s["broker"]["state"] == "ok")
    port = state["broker"]["text"].rsplit(":", 1)[1]
    misspelt = Terminal([*WATCH, f"mqtt://{HOST}:{port}/lead", "--plain"])
    try:
        wait_drawn(misspelt, "Nothing is known here of a bench 'lead'")
    finally:
        misspelt.signal(signal.SIGINT)
        misspelt.finish()
    terminal = Terminal([*WATCH, f"mqtt://{HOST}:{port}/"])
    try:
        for words in ("leads at", "Drying blower", " W ", "at the outlet", "±"):
            wait_drawn(terminal, words)
        run.kill()
        wait_drawn(terminal, "Broker lost")
        terminal.signal(signal.SIGINT)
        assert terminal.finish() == 130
    finally:
        terminal.process.kill()
    assert b"Traceback" not in terminal.drawn
