"""A service that is going to be killed, and a viewer of its page who writes down what he was shown and when.

The viewer is the witness: what he was shown of a reading, and when, is held against the store afterwards. He is told of a reading after it was handed
to the store, so he is never too strict.
"""

import http.client
import json
import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.runtime.places import socket_path
from tests.system.bench_process import ROOT, BenchFolder

SPEED = "24"
"""Bench seconds a real second: a trial takes some five seconds, and a meter is read every 42 ms."""

READY_WITHIN_S = 60.0


def pause(seconds: float) -> None:
    time.sleep(seconds)  # noqa: TID251  # real processes run at the pace of real time


@dataclass(frozen=True, slots=True)
class Seen:
    """A reading as the viewer was shown it, and when on the clock of time.monotonic()."""

    instrument: str
    at_s: float
    values: dict[str, float | None]
    shown_real_s: float


class Viewer:
    """Follows the page's stream until the service is gone."""

    def __init__(self, page_port: int) -> None:
        self.seen: list[Seen] = []
        self._connection = http.client.HTTPConnection(
            "127.0.0.1", page_port, timeout=READY_WITHIN_S
        )
        self._connection.request("GET", "/api/live")
        self._stream = self._connection.getresponse()
        self._thread = threading.Thread(target=self._follow, daemon=True)
        self._thread.start()

    def _follow(self) -> None:
        event = b""
        with suppress(OSError, ValueError, http.client.HTTPException):
            while line := self._stream.readline():
                if line.startswith(b"event: "):
                    event = line[7:].strip()
                elif line.startswith(b"data: ") and event == b"reading":
                    self._note(json.loads(line[6:]))

    def _note(self, told: dict[str, Any]) -> None:
        now_s = time.monotonic()
        self.seen.append(Seen(told["instrument"], told["at_s"], told["values"], now_s))

    def leave(self) -> None:
        """The service is gone."""
        self._thread.join(READY_WITHIN_S)
        self._stream.close()
        self._connection.close()


class NotStartedError(Exception):
    """A service ended before it was ready, or did not get that far."""


class KilledService:
    """`daq serve` on a bench folder; it is not waited for, so that it can be killed while it starts."""

    def __init__(self, bench: BenchFolder) -> None:
        self.bench = bench
        self._viewer: Viewer | None = None
        command = [sys.executable, "-m", "daq", "serve", str(bench.path / "bench.toml")]
        with (bench.path / "service.log").open("ab") as log:
            self.process = subprocess.Popen(
                [*command, "--plain", "--speed", SPEED],
                cwd=ROOT,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env={**os.environ, "PYTHONWARNINGS": "error"},
            )

    @property
    def has_ended(self) -> bool:
        return self.process.poll() is not None

    def has_opened(self, file: Path) -> bool:
        """Whether the process has this file open."""
        wanted = os.fspath(file)
        with suppress(OSError):
            for link in Path(f"/proc/{self.process.pid}/fd").iterdir():
                with suppress(OSError):
                    if os.fspath(link.readlink()) == wanted:
                        return True
        return False

    def wait_ready(self) -> dict[str, Any]:
        """The page's state once every meter answers; a viewer looks on from then.

        Raises:
            NotStartedError: If it ends before, or does not get that far.
        """
        end = time.monotonic() + READY_WITHIN_S
        while time.monotonic() < end and not self.has_ended:
            with suppress(OSError):
                state: dict[str, Any] = self.bench.state()
                if all(i["state"] == "ok" for i in state["instruments"]):
                    self._viewer = self._viewer or Viewer(self.bench.page_port)
                    return state
            pause(0.02)
        raise NotStartedError(self.said()[-500:])

    def wait_for(self, stage: str, *, within_s: float = 60.0) -> dict[str, Any]:
        """The page's state once it shows this stage."""
        return self.bench.wait_for(
            lambda s: s["stage"]["name"] == stage, within_s=within_s
        )

    def start_session(self, plan: str) -> None:
        """Ask for it over the Unix socket, as `daq session` does."""
        path = socket_path(self.bench.store)
        assert path is not None
        file = str(self.bench.path / "bench.toml")
        done = subprocess.run(
            [sys.executable, "-m", "daq", "session", file, "start", plan],
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=READY_WITHIN_S,
            check=False,
        )
        assert done.returncode == 0, done.stderr

    def kill(self) -> tuple[float, list[Seen]]:
        """Kill it; returns the moment before, on time.monotonic() [s], and what the viewer was shown."""
        killed_real_s = time.monotonic()
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        if self._viewer is None:
            return killed_real_s, []
        self._viewer.leave()
        return killed_real_s, self._viewer.seen

    def end(self) -> None:
        """Make sure that it has ended, whatever has become of the campaign."""
        if not self.has_ended:
            self.kill()

    def stop(self) -> int:
        """End it in order; returns its exit code."""
        self.process.send_signal(signal.SIGTERM)
        return self.finish()

    def finish(self) -> int:
        """Its exit code, once it has ended by itself."""
        code = self.process.wait(READY_WITHIN_S)
        if self._viewer is not None:
            self._viewer.leave()
        return code

    def said(self) -> str:
        """All that it wrote, in all its lives."""
        log = self.bench.path / "service.log"
        return log.read_text(encoding="utf-8", errors="replace")
