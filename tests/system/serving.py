"""`daq serve` as a process of its own, operated with `daq session`; its simulated machine is switched by the test."""

import io
import os
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from daq.cli import main
from tests.system.bench_process import ROOT, SPEED, BenchFolder, Simulators
from tests.system.command_line import Ended

FILTERS = ["no filter", "coarse filter", "medium filter", "fine filter"]


def quick_filters(folder: Path) -> BenchFolder:
    """The shipped filters, settled as quickly as the rule allows."""
    bench = BenchFolder(folder, "filters")
    bench.edit("plan.toml", "[settling]", '[settling]\npreset = "quick"')
    return bench


class Service:
    """`daq serve` on a bench folder."""

    def __init__(self, bench: BenchFolder, *options: str) -> None:
        """Start it, and wait until every meter answers."""
        self.bench = bench
        self._file = str(bench.path / "bench.toml")
        command = [sys.executable, "-m", "daq", "serve", self._file, "--plain"]
        self._process = subprocess.Popen(
            [*command, "--speed", SPEED, *options],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "PYTHONWARNINGS": "error"},
        )
        bench.wait_for(lambda s: all(i["state"] == "ok" for i in s["instruments"]))

    def signal(self, number: int) -> None:
        self._process.send_signal(number)

    def kill(self) -> None:
        self._process.kill()
        self._process.communicate()

    def end(self) -> None:
        """Make sure that it has ended, whatever has become of the test."""
        if self._process.poll() is None:
            self.kill()

    def finish(self, *, within_s: float = 20.0) -> tuple[int, str]:
        """Exit code, and everything it said."""
        said, _ = self._process.communicate(timeout=within_s)
        return self._process.returncode, said


def ask(bench: BenchFolder, *words: str) -> Ended:
    """`daq session` with these words."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main(["session", str(bench.path / "bench.toml"), *words])
    assert isinstance(ended.value.code, int)
    return Ended(ended.value.code, out.getvalue(), err.getvalue())


def done(bench: BenchFolder, *words: str) -> str:
    """What `daq session` answers where nothing is refused."""
    ended = ask(bench, *words)
    assert (ended.code, ended.err) == (0, ""), ended
    return ended.out.strip()


_SEEN_OFF_S = 4.0
"""Bench seconds after which a machine that stands still is known to be off; the plan asks for two."""


def measure(bench: BenchFolder, simulators: Simulators, fitted: str) -> None:
    """A whole trial with this fitted, whatever is called for."""
    wait_read(bench)
    simulators.say(f"fit {fitted}")
    simulators.say("on")
    bench.wait_for(lambda s: s["stage"]["name"] == "done")
    switch_off(bench, simulators)


def wait_read(bench: BenchFolder) -> None:
    """The session in hand has seen that the machine is off."""
    begun_s = bench.state()["clock"]["now_s"]
    bench.wait_for(
        lambda s: all((c["at_s"] or 0.0) > begun_s + _SEEN_OFF_S for c in s["channels"])
    )


def switch_off(bench: BenchFolder, simulators: Simulators) -> None:
    """The machine is off, and the trial over."""
    simulators.say("off")
    bench.wait_for(lambda s: s["trial"] is None)


def is_called_for(condition: str, state: dict) -> bool:
    """Whether the operator is asked to fit this, and every meter answers."""
    is_waiting = state["stage"]["name"] == "waiting"
    is_read = all(i["state"] == "ok" for i in state["instruments"])
    return is_waiting and is_read and state["condition"]["name"] == condition


def begin_endless_trial(
    bench: BenchFolder, simulators: Simulators, fitted: str
) -> None:
    """A trial that cannot settle: one of its meters is silent."""
    simulators.say(f"fit {fitted}")
    simulators.say("fault duct-air silent")
    simulators.say("on")
    bench.wait_for(lambda s: s["trial"] is not None)


def end_endless_trial(bench: BenchFolder, simulators: Simulators) -> None:
    """The machine is off, and every meter is heard again."""
    simulators.say("off")
    simulators.say("fault duct-air none")
    bench.wait_for(lambda s: all(i["state"] == "ok" for i in s["instruments"]))
