"""Simulators and `daq run` as processes of their own, for tests of whole sessions."""

import json
import os
import pty
import queue
import select
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any, TextIO

ROOT = Path(__file__).resolve().parent.parent.parent
SPEED = "12"


def free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


class BenchFolder:
    """A copy of a shipped scenario with a page port of its own."""

    def __init__(self, folder: Path, scenario: str) -> None:
        self.path = folder
        self.page_port = free_port()
        for name in ("bench.toml", "plan.toml", "simulation.toml"):
            shutil.copyfile(ROOT / "configs" / scenario / name, folder / name)
        self.edit("bench.toml", "port = 876", f"port = {self.page_port} # 876")

    @property
    def store(self) -> Path:
        return self.path / "bench.db"

    def edit(self, name: str, old: str, new: str) -> None:
        text = (self.path / name).read_text(encoding="utf-8")
        assert old in text
        (self.path / name).write_text(text.replace(old, new), encoding="utf-8")

    def state(self) -> dict:
        with urllib.request.urlopen(
            f"http://127.0.0.1:{self.page_port}/api/state", timeout=2
        ) as answer:
            return json.load(answer)

    def wait_for(
        self, condition: Callable[[dict], bool], *, within_s: float = 60.0
    ) -> dict:
        """The page's state once it fulfils the condition."""
        end = time.monotonic() + within_s
        state = None
        while time.monotonic() < end:
            try:
                state = self.state()
            except OSError:
                state = None
            if state is not None and condition(state):
                return state
            time.sleep(0.02)  # noqa: TID251  # real processes run at the pace of real time
        raise AssertionError(f"not within {within_s} s; the last state was {state}")


class Simulators:
    """`python -m simulators`, with a simulated person who watches the page unless `alone`."""

    def __init__(
        self, bench: BenchFolder, *options: str, seed: int = 1, alone: bool = False
    ) -> None:
        self.truth_path = bench.path / "truth.json"
        command = [
            sys.executable,
            "-m",
            "simulators",
            str(bench.path / "simulation.toml"),
            "--speed",
            SPEED,
        ]
        command += ["--seed", str(seed), "--truth", str(self.truth_path), *options]
        if not alone:
            command += ["--watch", f"http://127.0.0.1:{bench.page_port}"]
        self._process = subprocess.Popen(
            command,
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._input, self._output = self._process.stdin, self._process.stdout
        self._lines: queue.Queue[str] = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        self.wait_line("ready")

    def _read(self) -> None:
        for line in self._output:
            self._lines.put(line.strip())

    def wait_line(self, start: str, *, within_s: float = 20.0) -> str:
        end = time.monotonic() + within_s
        while True:
            line = self._lines.get(timeout=max(end - time.monotonic(), 0.01))
            if line.startswith(start):
                return line

    def say(self, command: str) -> str:
        self._input.write(command + "\n")
        self._input.flush()
        return self.wait_line("ok")

    def truth(self) -> dict:
        entries = json.loads(self.truth_path.read_text(encoding="utf-8"))["entries"]
        return {
            (e["condition"], e["place"], e["quantity"]): e["value"] for e in entries
        }

    def counts(self) -> dict:
        return json.loads(self.say("counts").removeprefix("ok "))

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(10)
        self._reader.join(5)
        self._input.close()
        self._output.close()


def run_command(bench: BenchFolder, *options: str) -> list[str]:
    """`daq run` on a bench folder, at the simulators' speed."""
    files = [str(bench.path / "bench.toml"), str(bench.path / "plan.toml")]
    command = [sys.executable, "-m", "daq", "run", *files]
    return [*command, "--speed", SPEED, *options]


class Run:
    """`daq run` on a bench folder."""

    def __init__(self, bench: BenchFolder, *options: str) -> None:
        self._process = subprocess.Popen(
            run_command(bench, "--json", *options),
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONWARNINGS": "error"},
        )

    def kill(self) -> None:
        self._process.send_signal(signal.SIGKILL)
        self._process.communicate()

    def end(self) -> None:
        """Make sure that it has ended, whatever has become of the test."""
        if self._process.poll() is None:
            self.kill()

    def signal(self, number: int) -> None:
        self._process.send_signal(number)

    def finish(self, *, within_s: float = 150.0) -> tuple[int, dict, str]:
        """Exit code, the outcome on standard output, and what was said on standard error."""
        out, err = self._process.communicate(timeout=within_s)
        return self._process.returncode, json.loads(out) if out else {}, err


class Terminal:
    """A program on a pseudo-terminal of 130 columns and 40 lines; everything it draws is kept."""

    def __init__(self, command: list[str], *, stderr: TextIO | None = None) -> None:
        """Start it; what it complains of goes to the terminal too, or to a file."""
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
            stderr=slave if stderr is None else stderr,
            env=environment,
            start_new_session=True,
        )
        os.close(slave)
        self.drawn = b""
        self._is_gone = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        # Until the far end is closed: what is said last is said just before that.
        while not self._is_gone.is_set():
            if select.select([self._master], [], [], 0.1)[0]:
                try:
                    self.drawn += os.read(self._master, 65536)
                except OSError:
                    return

    def press(self, key: bytes) -> None:
        os.write(self._master, key)

    def signal(self, number: int) -> None:
        """As the terminal does: to the whole group."""
        os.killpg(self.process.pid, number)

    def hang_up(self) -> None:
        """The terminal's window is closed; the program is left without."""
        self._is_gone.set()
        self._reader.join(5)
        os.close(self._master)

    def finish(self, within_s: float = 15.0) -> int:
        code = self.process.wait(within_s)
        self._reader.join(2)
        if not self._is_gone.is_set():
            self.hang_up()
        return code


def averages_against_truth(outcome: dict, truth: dict, places: dict) -> list[float]:
    """Error of every average, in expanded uncertainties."""
    shares = []
    for trial in outcome["trials"]:
        for average in trial["averages"]:
            place, quantity = places[average["channel"]]
            value = truth[trial["condition"], place, quantity]
            shares.append(
                abs(average["mean"] - value) / average["expanded_uncertainty"]
            )
    return shares


def reanalysed(store: Path, *options: str, code: int | None = 0) -> dict[str, Any]:
    """What `daq reanalyse --json` says of a store; with no code, 1 is as good, for a trial may not have settled."""
    done = subprocess.run(
        [sys.executable, "-m", "daq", "reanalyse", str(store), "--json", *options],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    said = f"exit code {done.returncode}: {done.stderr or done.stdout[-500:]}"
    codes = (0, 1) if code is None else (code,)
    assert done.returncode in codes, said
    assert not done.stderr, said
    facts: dict[str, Any] = json.loads(done.stdout)
    return facts
