"""What the page asks of the bench: its present state, its plans, its stored sessions, and what an operator wants done."""

import asyncio
import json
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import ParamSpec, TypeVar

from daq.operations import Operation
from daq.runtime.beginning import is_long_ago
from daq.runtime.board import TRACE_S, Board
from daq.runtime.clock import Clock
from daq.runtime.growing import StoredComparisons
from daq.runtime.operating import Operating
from daq.runtime.past import (
    past_traces,
    session_json,
    sessions_json,
    trial_trace_json,
)
from daq.runtime.shelf import OnOffer, Shelf
from daq.runtime.store import OpenSession, Store
from daq.runtime.store.past import read_comparison_stamp

_FORMAT = 1
_P = ParamSpec("_P")
_T = TypeVar("_T")


class _Reads:
    """Blocking reads in threads of their own: however many there are, lines find the loop's own threads free."""

    def __init__(self) -> None:
        self._threads = ThreadPoolExecutor(2, thread_name_prefix="page-reads")

    async def of(
        self, read: Callable[_P, _T], *args: _P.args, **kwargs: _P.kwargs
    ) -> _T:
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._threads, lambda: read(*args, **kwargs))


class _SharedText:
    """A long text, made part by part with the loop's other work in between, for all who ask meanwhile."""

    def __init__(self) -> None:
        self._in_turn = asyncio.Lock()
        self._covered = self._asked = 0
        self._text = ""

    async def of(self, parts: Callable[[], Iterable[str]]) -> str:
        """What was begun after it was asked for: an older text could miss a reading that its stream does not bring."""
        self._asked += 1
        own = self._asked
        # Those who wait are let in one after the other, and so their answers go out in several turns of the loop.
        async with self._in_turn:
            if self._covered < own:
                asked, made = self._asked, list[str]()
                for part in parts():
                    made.append(part)
                    await asyncio.sleep(0)
                self._text, self._covered = "".join(made), asked
            return self._text


@dataclass(frozen=True, slots=True)
class Answering:
    """Answers as ready JSON texts."""

    board: Board
    store: Store
    store_path: Path
    shelf: Shelf
    clock: Clock
    operating: Operating
    comparisons: StoredComparisons = field(default_factory=StoredComparisons)
    _reads: _Reads = field(default_factory=_Reads)
    _trace: _SharedText = field(default_factory=_SharedText)
    _funnel: _SharedText = field(default_factory=_SharedText)

    async def recall(self, clock_id: int) -> None:
        """Let the charts begin with what is stored of the time before this run of the service.

        Args:
            clock_id: Row of the store's clocks that this run began with.

        Raises:
            StoreError: If the store cannot be read.
        """
        past = await self._reads.of(past_traces, self.store_path, clock_id, TRACE_S)
        self.board.recall(past)

    def state(self) -> str:
        """The whole snapshot."""
        return self.board.snapshot().as_json()

    async def trace(self) -> str:
        """Recent readings of every channel."""
        return await self._trace.of(self.board.trace_json)

    async def funnel(self) -> str:
        """How the required channels of the trial in hand have come to settle so far."""
        return await self._funnel.of(self.board.funnel_json)

    async def plans(self) -> str:
        """Plans that a session can be started with."""
        open_sessions = {s.plan: s for s in await self.store.open_sessions()}
        offers = await self._reads.of(self.shelf.on_offer)
        plans = [self._plan(offer, open_sessions) for offer in offers]
        return _json({"format": _FORMAT, "plans": plans})

    async def sessions(self) -> str:
        """Stored sessions, newest first."""
        return await self._reads.of(sessions_json, self.store_path)

    async def session(self, number: int) -> str | None:
        """One stored session; None where there is none of that number."""
        path = self.store_path
        trials = await self._reads.of(read_comparison_stamp, path, number)
        comparison = await self.comparisons.line_of(path, number, trials)
        return await self._reads.of(session_json, path, number, comparison)

    async def trial_trace(self, session: int, trial: int) -> str | None:
        """Readings of one stored trial; None where there is none of that number in that session."""
        return await self._reads.of(trial_trace_json, self.store_path, session, trial)

    async def operate(self, operation: Operation, *, way: str) -> str:
        """Carry out what the operator asks for; returns a sentence that says what was done.

        Raises:
            OperationRefusedError: If it cannot be done now.
        """
        return await self.operating.operate(operation, way=way)

    def _plan(
        self, offer: OnOffer, open_sessions: dict[str, OpenSession]
    ) -> dict[str, object]:
        plan = offer.plan
        if plan is None:
            name = offer.file.removesuffix(".toml")
            return {
                "name": name,
                "file": offer.file,
                "machine": "",
                "conditions": [],
                "trials": 0,
                "fault": offer.fault,
                "unfinished": None,
            }
        found = open_sessions.get(plan.name)
        return {
            "name": plan.name,
            "file": offer.file,
            "machine": plan.machine,
            "conditions": [c.name for c in plan.facts.conditions],
            "trials": len(plan.order(plan.seed or 0)),
            "fault": None,
            "unfinished": None if found is None else self._unfinished(found),
        }

    def _unfinished(self, found: OpenSession) -> dict[str, object]:
        return {
            "session": found.number,
            "done": found.done,
            "total": found.total,
            "last_utc": found.worked_on_utc,
            "another_day": found.done > 0
            and is_long_ago(found.worked_on_utc, self.clock),
        }


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
