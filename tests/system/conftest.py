"""What tests of the whole program share: a bench in a folder of its own, simulated meters, a line that talks rubbish."""

import json
import os
import queue
import select
import shutil
import subprocess
import sys
import threading
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from random import Random

import pytest
import pytest_asyncio
from playwright.async_api import Browser

from daq.cli import main
from tests.system.command_line import BENCH, METER, PLAN, Daq, Ended
from tests.system.keyed_terminal import Terminal
from tests.system.live_page import Bench, chromium

ROOT = Path(__file__).parents[2]
CONFIGS = ROOT / "configs"
PATIENCE_S = 20.0


class Simulator:
    """The simulators' process; what it says is waited for."""

    def __init__(self, file: Path, *options: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "simulators", str(file), *options],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._said: queue.Queue[str] = queue.Queue()
        self._reader = threading.Thread(target=self._listen)
        self._reader.start()

    def wait_for(self, wanted: Callable[[str], bool]) -> str:
        """The first line that is wanted."""
        while not wanted(line := self._said.get(timeout=PATIENCE_S)):
            pass
        return line

    def type(self, command: str) -> str:
        """Type a command; returns what is answered."""
        assert self._process.stdin is not None
        self._process.stdin.write(command + "\n")
        self._process.stdin.flush()
        answer = self.wait_for(lambda line: line.startswith(("ok", "error")))
        assert answer.startswith("ok"), answer
        return answer.removeprefix("ok").strip()

    def state(self) -> dict[str, object]:
        state: dict[str, object] = json.loads(self.type("state"))
        return state

    def close(self) -> None:
        self._process.terminate()
        self._process.wait(timeout=PATIENCE_S)
        self._reader.join(timeout=PATIENCE_S)
        for stream in (self._process.stdin, self._process.stdout):
            assert stream is not None
            stream.close()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._said.put(line.rstrip("\n"))


@pytest.fixture
def scenario(tmp_path: Path) -> Callable[[str], Path]:
    """Copies a shipped scenario into a folder of its own, on a free page port."""

    def copy(name: str) -> Path:
        folder = tmp_path / name
        shutil.copytree(CONFIGS / name, folder)
        bench = folder / "bench.toml"
        text = bench.read_text(encoding="utf-8")
        assert "port = 8765" in text
        bench.write_text(text.replace("port = 8765", "port = 0"), encoding="utf-8")
        return folder

    return copy


@pytest.fixture
def simulate() -> Iterator[Callable[..., Simulator]]:
    """Starts the simulators of a folder and waits until they are ready."""
    begun: list[Simulator] = []

    def start(folder: Path, *options: str) -> Simulator:
        simulator = Simulator(folder / "simulation.toml", *options)
        begun.append(simulator)
        simulator.wait_for(lambda line: line == "ready")
        return simulator

    yield start
    for simulator in begun:
        simulator.close()


class WrongBaud(threading.Thread):
    """A meter whose bytes come out as others, because its line has another speed than the host thinks."""

    def __init__(self, path: Path) -> None:
        super().__init__(name="wrong-baud")
        self._far, self._near = os.openpty()
        tty.setraw(self._near)
        path.parent.mkdir(exist_ok=True)
        path.symlink_to(os.ttyname(self._near))
        self._hang_up, self._hung_up = os.pipe()

    def run(self) -> None:
        random = Random(1)  # noqa: S311 - rubbish, no secret
        while True:
            ready, _, _ = select.select([self._far, self._hang_up], [], [])
            if self._hang_up in ready:
                return
            os.read(self._far, 4096)
            os.write(self._far, random.randbytes(21))

    def stop(self) -> None:
        os.write(self._hung_up, b"x")
        self.join(PATIENCE_S)
        for descriptor in (self._far, self._near, self._hang_up, self._hung_up):
            os.close(descriptor)


@pytest.fixture
def wrong_baud() -> Iterator[Callable[[Path], None]]:
    begun: list[WrongBaud] = []

    def start(path: Path) -> None:
        begun.append(WrongBaud(path))
        begun[-1].start()

    yield start
    for line in begun:
        line.stop()


# ---- the command line


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[Terminal]:
    monkeypatch.setenv("TERM", "xterm")
    terminal = Terminal()
    monkeypatch.setattr(sys, "stdin", terminal.stdin)
    yield terminal
    terminal.close()


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Daq:
    def ended(*words: object) -> Ended:
        with pytest.raises(SystemExit) as caught:
            main([str(word) for word in words])
        captured = capsys.readouterr()
        assert isinstance(caught.value.code, int)
        return Ended(caught.value.code, captured.out, captured.err)

    return ended


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A bench, its profile and a plan that are in order."""
    for name, text in (("meter", METER), ("bench", BENCH), ("plan", PLAN)):
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    return tmp_path


# ---- the page in a browser


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def browser() -> AsyncIterator[Browser]:
    """One for all tests of a module: each opens a context of its own in it, and starting one takes seconds."""
    async with chromium() as browser:
        yield browser


@pytest_asyncio.fixture(loop_scope="module")
async def bench() -> AsyncIterator[Bench]:
    """A bench that the test pushes onto the page."""
    bench = Bench()
    async with bench.serving():
        yield bench
