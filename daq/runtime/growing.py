"""The comparison of a session grows with its trials: a process of its own makes it anew each time one has ended.

Here it is started, waited for and understood; comparing.py is what runs in it. One process at a time, and the newest
wish wins; a stored session that somebody looks at is compared by the same means, beside it. A comparison that fails is
told in words and ends nothing, and no process outlives the wait for it.
"""

import asyncio
import contextlib
import json
import signal
import sys
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.records import TrialState
from daq.runtime.snapshot import ComparisonLine, DifferenceLine
from daq.runtime.store.past import TrialStamp

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


_Stamp = tuple[Path, int, tuple[TrialStamp, ...]]


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
        self._comparing = _Comparing(program, longest_s)
        self._session: int | None = None
        self._wish: _Wish | None = None
        self._wished = asyncio.Event()

    def ended(self, session: int, trials: int) -> None:
        """Something of the session was written that its comparison depends on.

        Args:
            session: Its number.
            trials: How many of its trials are finished [1].
        """
        self._session = session
        self._wish = _Wish(session, trials)
        self._wished.set()

    def left(self) -> None:
        """The session is left: nothing more is compared or told of it."""
        self._session = self._wish = None
        self._comparing.kill()

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
            return await self._comparing.line_of(self._path, wish.session)
        except _NotMadeError as exc:
            return not_made(wish.trials, str(exc))


class StoredComparisons:
    """Compares stored sessions, one at a time, and remembers what it found for as long as nothing of it changes."""

    def __init__(
        self, *, program: Sequence[str] = PROGRAM, longest_s: float = LONGEST_S
    ) -> None:
        self._comparing = _Comparing(program, longest_s)
        # Many viewers must not start many processes.
        self._one_at_a_time = asyncio.Lock()
        self._kept: dict[_Stamp, ComparisonLine | None] = {}

    async def line_of(
        self, path: Path, session: int, trials: tuple[TrialStamp, ...]
    ) -> ComparisonLine | None:
        """A session's comparison; None where no trial was begun. Whoever gives up waiting ends the process.

        Args:
            path: Of the store.
            session: Its number.
            trials: What the comparison depends on, as read_comparison_stamp() tells it.
        """
        own = [trial for trial in trials if trial.session == session]
        if not own:
            return None
        stamp = (path, session, trials)
        async with self._one_at_a_time:
            if stamp not in self._kept:
                try:
                    self._keep(stamp, await self._comparing.line_of(path, session))
                except _NotMadeError as exc:
                    # It is tried again: a failure is not kept.
                    finished = sum(t.state == TrialState.FINISHED for t in own)
                    return not_made(finished, str(exc))
            return self._kept[stamp]

    def _keep(self, stamp: _Stamp, line: ComparisonLine | None) -> None:
        self._kept[stamp] = line
        if len(self._kept) > _KEPT:
            del self._kept[next(iter(self._kept))]


class _Comparing:
    """One process at a time."""

    def __init__(self, program: Sequence[str], longest_s: float) -> None:
        self._program = program
        self._longest_s = longest_s
        self._process: Process | None = None

    async def line_of(self, path: Path, session: int) -> ComparisonLine | None:
        """What the process says, which ends with the wait for it.

        Raises:
            _NotMadeError: If it gave no comparison.
        """
        try:
            self._process = process = await asyncio.create_subprocess_exec(
                *self._program,
                str(path),
                str(session),
                stdin=DEVNULL,
                stdout=PIPE,
                stderr=PIPE,
                # A signal from the terminal is for the service, which ends this one.
                start_new_session=True,
            )
        except OSError as exc:
            reason = (exc.strerror or str(exc)).lower()
            msg = f"its process could not be started ({reason})"
            raise _NotMadeError(msg) from exc
        try:
            async with asyncio.timeout(self._longest_s):
                out, err = await process.communicate()
        except TimeoutError as exc:
            msg = f"it took longer than {self._longest_s:g} s"
            raise _NotMadeError(msg) from exc
        finally:
            self.kill()
            await process.wait()
        return _understood(process.returncode or 0, out, err)

    def kill(self) -> None:
        """End the process, if there is one."""
        if self._process is not None and self._process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()


def not_made(after_trials: int, reason: str) -> ComparisonLine:
    """A comparison that says why there is none.

    Args:
        after_trials: Trials that are finished: as many as a comparison would be made of [1].
        reason: Without a full stop.
    """
    words = f"The comparison cannot be made yet: {reason.rstrip('.')}."
    return ComparisonLine(after_trials, (), (words,))


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
