"""What the page asks of the bench: its present state, its plans, its stored sessions, and what an operator wants done."""

import asyncio
import json
from dataclasses import dataclass
from pathlib import Path

from daq.operations import Operation
from daq.runtime.beginning import is_long_ago
from daq.runtime.board import Board
from daq.runtime.clock import Clock
from daq.runtime.operating import Operating
from daq.runtime.past import session_json, sessions_json, trial_trace_json
from daq.runtime.shelf import OnOffer, Shelf
from daq.runtime.store import OpenSession, Store

_FORMAT = 1


@dataclass(frozen=True, slots=True)
class Answering:
    """Answers as ready JSON texts."""

    board: Board
    store: Store
    store_path: Path
    shelf: Shelf
    clock: Clock
    operating: Operating

    def state(self) -> str:
        """The whole snapshot."""
        return self.board.snapshot().as_json()

    def trace(self) -> str:
        """Recent readings of every channel."""
        return self.board.trace_json()

    def funnel(self) -> str:
        """How the required channels of the trial in hand have come to settle so far."""
        return self.board.funnel_json()

    async def plans(self) -> str:
        """Plans that a session can be started with."""
        open_sessions = {s.plan: s for s in await self.store.open_sessions()}
        offers = await asyncio.to_thread(self.shelf.on_offer)
        plans = [self._plan(offer, open_sessions) for offer in offers]
        return _json({"format": _FORMAT, "plans": plans})

    async def sessions(self) -> str:
        """Stored sessions, newest first."""
        return await asyncio.to_thread(sessions_json, self.store_path)

    async def session(self, number: int) -> str | None:
        """One stored session; None where there is none of that number."""
        return await asyncio.to_thread(session_json, self.store_path, number)

    async def trial_trace(self, session: int, trial: int) -> str | None:
        """Readings of one stored trial; None where there is none of that number in that session."""
        return await asyncio.to_thread(
            trial_trace_json, self.store_path, session, trial
        )

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
