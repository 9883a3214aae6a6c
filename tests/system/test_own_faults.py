"""A service that ends by a fault of its own, under a machine that runs: nobody else says that nothing watches it."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.cli.closing import UNWATCHED
from tests.system.bench_process import ROOT, SPEED, BenchFolder, Simulators
from tests.system.serving import done, is_called_for, quick_filters

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]

FAULTY = """
import sys
from pathlib import Path
from daq.cli import main
from daq.runtime.board import Board

take = Board.take

def take_or_fail(board, outcome):
    if Path(sys.argv[1]).exists():
        raise KeyError("boom")
    take(board, outcome)

Board.take = take_or_fail
main(sys.argv[2:])
"""
"""`daq` with a fault that breaks out as soon as a file is there."""


@pytest.fixture
def bench(tmp_path: Path) -> BenchFolder:
    return quick_filters(tmp_path)


@pytest.fixture
def simulators(bench: BenchFolder) -> Iterator[Simulators]:
    simulators = Simulators(bench, alone=True)
    yield simulators
    simulators.stop()


@pytest.mark.parametrize("name", ["run", "serve"])
def test_a_fault_under_a_running_machine_says_that_nothing_watches_it_any_more(
    bench: BenchFolder, simulators: Simulators, name: str
) -> None:
    simulators.say("off")
    flag = bench.path / "broken"
    files = [str(bench.path / "bench.toml")]
    files += [str(bench.path / "plan.toml")] if name == "run" else []
    words = [name, *files, "--plain", "--speed", SPEED]
    process = subprocess.Popen(
        [sys.executable, "-c", FAULTY, str(flag), *words],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONWARNINGS": "error"},
    )
    try:
        bench.wait_for(lambda s: all(i["state"] == "ok" for i in s["instruments"]))
        if name == "serve":
            done(bench, "start", "filters")
        called = bench.wait_for(lambda s: s["stage"]["name"] == "waiting")
        fitted = called["condition"]["name"]
        bench.wait_for(lambda s: is_called_for(fitted, s))
        simulators.say(f"fit {fitted}")
        simulators.say("on")
        bench.wait_for(lambda s: s["trial"] is not None)
        flag.touch()
        _, err = process.communicate(timeout=30)
    finally:
        process.kill()
        process.communicate()
    said, fault = err.splitlines()
    assert said == UNWATCHED
    assert fault.startswith("daq: our own fault: ExceptionGroup")
    assert "KeyError('boom')" in fault
    assert process.returncode == 70
