"""The comparison of a session grows with its trials: a process of its own makes it anew each time one has ended.

Here it is started, waited for and understood; comparing.py is what runs in it. One process at a time, and the newest
wish wins. A comparison that fails is told in words and ends nothing.
"""

import asyncio
import contextlib
import json
import signal
import subprocess
import sys
import threading
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from daq.records import TrialState
from daq.runtime.snapshot import ComparisonLine, DifferenceLine
from daq.runtime.store.past import TrialStamp, read_comparison_stamp

PROGRAM = (sys.executable, "-P", "-m", "daq.runtime.comparing")
"""What is started, with store and session behind it. -P: the working directory must not shadow a package."""

LONGEST_S = 60.0
"""A comparison that takes longer is given up [s of real time]."""

_KEPT = 64
"""Comparisons of stored sessions that are remembered."""


@dataclass(frozen=True, slots=True)
class _Wish:
    session: int
    trials: int


class _NotMadeError(Exception):
    """Why the process gave no comparison."""


class Growing:
    """Makes the comparison of the session in hand again and again, beside the polling."""

    def __init__(
        self,
        store_path: Path,
        on_news: Callable[[ComparisonLine | None], None],
        *,
        program: Sequence[str] = PROGRAM,
        longest_s: float = LONGEST_S,
    ) -> None:
        self._path = store_path
        self._on_news = on_news
        self._program = program
        self._longest_s = longest_s
        self._session: int | None = None
        self._wish: _Wish | None = None
        self._wished = asyncio.Event()
        self._process: Process | None = None

    def ended(self, session: int, trials: int) -> None:
        """Something of the session was written that its comparison depends on.

        Args:
            session: Its number.
            trials: How many of its trials have ended [1].
        """
        self._session = session
        self._wish = _Wish(session, trials)
        self._wished.set()

    def left(self) -> None:
        """The session is left: nothing more is compared or told of it."""
        self._session = self._wish = None
        self._kill()

    async def run(self) -> None:
        """Make comparisons until cancelled."""
        while True:
            await self._wished.wait()
            self._wished.clear()
            wish, self._wish = self._wish, None
            if wish is None:
                continue
            line = await self._made(wish)
            if wish.session == self._session:
                self._on_news(line)

    async def _made(self, wish: _Wish) -> ComparisonLine | None:
        try:
            return await self._asked(wish)
        except _NotMadeError as exc:
            return not_made(wish.trials, str(exc))

    async def _asked(self, wish: _Wish) -> ComparisonLine | None:
        try:
            self._process = process = await asyncio.create_subprocess_exec(
                *_command(self._program, self._path, wish.session),
                stdin=DEVNULL,
                stdout=PIPE,
                stderr=PIPE,
                # A signal from the terminal is for the service, which ends this one.
                start_new_session=True,
            )
        except OSError as exc:
            raise _NotMadeError(_not_started(exc)) from exc
        try:
            async with asyncio.timeout(self._longest_s):
                out, err = await process.communicate()
        except TimeoutError as exc:
            raise _NotMadeError(_took_too_long(self._longest_s)) from exc
        finally:
            self._kill()
            await process.wait()
        return _understood(process.returncode or 0, out, err)

    def _kill(self) -> None:
        if self._process is not None and self._process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()


def not_made(after_trials: int, reason: str) -> ComparisonLine:
    """A comparison that says why there is none.

    Args:
        after_trials: Trials that have ended [1].
        reason: Without a full stop.
    """
    words = f"The comparison cannot be made yet: {reason.rstrip('.')}."
    return ComparisonLine(after_trials, (), (words,))


def comparison_of(
    path: Path, session: int, *, program: tuple[str, ...] = PROGRAM
) -> ComparisonLine | None:
    """Compare a stored session in a process of its own, and wait for it; None where no trial was begun.

    What was compared before is remembered for as long as nothing of it changes in the store.

    Args:
        path: Of the store.
        session: Number of one that there is.
        program: What is started.

    Raises:
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    stamp = read_comparison_stamp(path, session)
    try:
        # One after the other: many viewers must not start many processes.
        with _ONE_AT_A_TIME:
            return _remembered(program, path, session, stamp)
    except _NotMadeError as exc:
        own = [trial for trial in stamp if trial.session == session]
        ended = sum(trial.state != TrialState.RUNNING for trial in own)
        return not_made(ended, str(exc))


_ONE_AT_A_TIME = threading.Lock()


@lru_cache(maxsize=_KEPT)
def _remembered(
    program: tuple[str, ...],
    path: Path,
    session: int,
    _stamp: tuple[TrialStamp, ...],
) -> ComparisonLine | None:
    """Failures are raised, and so are not remembered."""
    try:
        ended = subprocess.run(  # noqa: S603 - our own module, no shell
            _command(program, path, session),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=LONGEST_S,
            check=False,
            start_new_session=True,
        )
    except OSError as exc:
        raise _NotMadeError(_not_started(exc)) from exc
    except subprocess.TimeoutExpired as exc:
        raise _NotMadeError(_took_too_long(LONGEST_S)) from exc
    return _understood(ended.returncode, ended.stdout, ended.stderr)


def _command(program: Sequence[str], path: Path, session: int) -> list[str]:
    return [*program, str(path), str(session)]


def _understood(code: int, out: bytes, err: bytes) -> ComparisonLine | None:
    """What the process printed.

    Raises:
        _NotMadeError: If it failed, or printed something else.
    """
    if code < 0:
        name = signal.strsignal(-code) or f"signal {-code}"
        msg = f"its process was ended from outside ({name.lower()})"
        raise _NotMadeError(msg)
    if code:
        said = err.decode(errors="replace").strip().splitlines()
        raise _NotMadeError(said[-1] if said else f"its process ended with code {code}")
    try:
        return _line(json.loads(out))
    except (ValueError, TypeError, KeyError) as exc:
        msg = f"its process gave an answer that cannot be read ({out[:64]!r})"
        raise _NotMadeError(msg) from exc


def _line(content: Mapping[str, Any] | None) -> ComparisonLine | None:
    if content is None:
        return None
    return ComparisonLine(
        after_trials=int(content["after_trials"]),
        differences=tuple(DifferenceLine(**each) for each in content["differences"]),
        answer=tuple(content["answer"]),
    )


def _not_started(exc: OSError) -> str:
    return f"its process could not be started ({(exc.strerror or str(exc)).lower()})"


def _took_too_long(longest_s: float) -> str:
    return f"it took longer than {longest_s:g} s"
