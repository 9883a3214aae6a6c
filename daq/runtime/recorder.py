"""What happened goes to the store, in order, and its results to the broker's outbox.

Readings are labelled with the trial that runs when they come. A trial's averages are stored the moment they are confirmed,
so that a program killed before the machine is switched off has lost nothing.
"""

import asyncio
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict

from daq.messages import Topics, render_result
from daq.records import Gap, Reading, SessionFacts, TrialState
from daq.runtime.clock import Clock
from daq.runtime.store import Store
from daq.settling.parameters import Parameters
from daq.trials.session import Occurrence
from daq.trials.stages import Happening

_TRIAL_OVER = frozenset({Happening.OFF_MORE_TO_COME, Happening.OFF_LAST})


class Recorder:
    """Writes one session."""

    def __init__(
        self,
        store: Store,
        *,
        clock: Clock,
        clock_id: int,
        facts: SessionFacts,
        parameters: Parameters,
        tolerances: Mapping[str, float],
        topics: Topics,
        on_result_stored: Callable[[], None],
    ) -> None:
        self._store = store
        self._clock = clock
        self._clock_id = clock_id
        self._facts = facts
        self._rule_json = json.dumps(
            {**asdict(parameters), "tolerances": dict(tolerances)}
        )
        self._topics = topics
        self._on_result_stored = on_result_stored
        self._trial: int | None = None
        self._to_write: asyncio.Queue[tuple[int, Occurrence]] = asyncio.Queue()

    def take(self, outcome: Reading | Gap) -> None:
        """Keep a reading or a gap."""
        if isinstance(outcome, Gap):
            self._store.add_gap(outcome, clock_id=self._clock_id, trial_id=self._trial)
        else:
            self._store.add_reading(
                outcome, clock_id=self._clock_id, trial_id=self._trial
            )

    def event(self, kind: str, text: str, at_s: float) -> None:
        """Keep a line of the events."""
        self._store.add_event(
            kind,
            text,
            at_s=at_s,
            clock_id=self._clock_id,
            session_id=self._facts.number,
        )

    def note(self, occurrence: Occurrence) -> None:
        """Take what happened to the trial; what must be durable at once is written by `run`."""
        planned = occurrence.planned
        if occurrence.happening is Happening.SWITCHED_ON and planned is not None:
            self._trial = self._store.begin_trial(
                self._facts.number,
                planned,
                attempt=occurrence.attempt,
                uuid=occurrence.trial_id,
                clock_id=self._clock_id,
                started_s=occurrence.at_s,
            )
        if self._trial is not None and occurrence.result is not None:
            self._to_write.put_nowait((self._trial, occurrence))
        if occurrence.happening in _TRIAL_OVER:
            self._trial = None

    async def run(self) -> None:
        """Write results until cancelled."""
        while True:
            number, occurrence = await self._to_write.get()
            try:
                await self._write(number, occurrence)
            finally:
                self._to_write.task_done()

    async def wait_written(self) -> None:
        """Wait until every result so far is on the disk."""
        await self._to_write.join()

    async def keep_clock(self) -> None:
        """Record how bench time and UTC stand to each other, where that is due."""
        offset = self._clock.new_offset()
        if offset is not None:
            self._clock_id = await self._store.add_clock(
                offset.boot_id,
                monotonic_s=offset.monotonic_s,
                utc_us=offset.utc_us,
                speed=offset.speed,
            )

    async def _write(self, number: int, occurrence: Occurrence) -> None:
        result = occurrence.result
        if result is None:
            return
        payload = render_result(
            result,
            self._facts,
            started_utc=self._clock.utc_text(result.started_s),
            ended_utc=self._clock.utc_text(result.ended_s),
        )
        # Once the outcome is known everybody is told; switching off then only adds when that was.
        told_before = (
            occurrence.happening in _TRIAL_OVER
            and result.state is not TrialState.UNFINISHED
        )
        outbox = None if told_before else (self._topics.result, payload)
        await self._store.end_trial(
            number, result, rule_json=self._rule_json, outbox=outbox
        )
        if outbox is not None:
            self._on_result_stored()
