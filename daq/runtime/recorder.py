"""What happened goes to the store, in order, and its results to the broker's outbox.

Readings are labelled with the trial that runs when they come. A trial's averages are stored the moment they are confirmed,
so that a program killed before the machine is switched off has lost nothing.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from daq.messages import Topics, render_result
from daq.records import Gap, Reading, SessionFacts, TrialResult
from daq.runtime.clock import Clock, ClockOffset
from daq.runtime.store import Store
from daq.trials.judging import SessionRules, render_rule
from daq.trials.session import Occurrence
from daq.trials.stages import SWITCHED_OFF, Happening

_JUDGING_OVER = frozenset({Happening.TIME_UP, Happening.LIMIT_BROKEN})
"""The machine runs on, but the settling rule is given no more of its readings."""


@dataclass(frozen=True, slots=True)
class _Result:
    """A result on its way to the store; revision 0 is not told to the broker."""

    trial: int
    result: TrialResult
    revision: int
    judged_before: int | None


class Recorder:
    """Writes one session."""

    def __init__(
        self,
        store: Store,
        *,
        clock: Clock,
        clock_id: int,
        facts: SessionFacts,
        rules: SessionRules,
        topics: Topics,
        on_result_stored: Callable[[], None],
    ) -> None:
        self._store = store
        self._clock = clock
        self._clock_id = clock_id
        self._facts = facts
        self._rule_json = render_rule(rules)
        self._topics = topics
        self._on_result_stored = on_result_stored
        self._trial: int | None = None
        self._revision = 0
        self._judged_before: int | None = None
        self._to_write: asyncio.Queue[_Result | ClockOffset] = asyncio.Queue()

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
            self._revision = 0
            self._judged_before = None
            self._trial = self._store.begin_trial(
                self._facts.number,
                planned,
                attempt=occurrence.attempt,
                uuid=occurrence.trial_id,
                clock_id=self._clock_id,
                started_s=occurrence.at_s,
                rule_json=self._rule_json,
            )
        if occurrence.happening in _JUDGING_OVER and self._judged_before is None:
            # The reading that told is not in the store yet: this is its number.
            self._judged_before = self._store.next_reading
        result = occurrence.result
        if self._trial is not None and result is not None:
            # Once the outcome is known everybody is told; switching off then only adds when that was.
            told_before = occurrence.happening in SWITCHED_OFF and self._revision > 0
            if not told_before:
                self._revision += 1
            revision = 0 if told_before else self._revision
            self._to_write.put_nowait(
                _Result(self._trial, result, revision, self._judged_before)
            )
        if occurrence.happening in SWITCHED_OFF:
            self._trial = None

    async def run(self) -> None:
        """Write results until cancelled."""
        while True:
            item = await self._to_write.get()
            try:
                if isinstance(item, _Result):
                    await self._write(item)
                else:
                    await self._write_offset(item)
            finally:
                self._to_write.task_done()

    async def wait_written(self) -> None:
        """Wait until every result so far is on the disk."""
        await self._to_write.join()

    def keep_clock(self) -> None:
        """Record how bench time and UTC stand to each other, where that is due; waits for nothing."""
        offset = self._clock.new_offset()
        if offset is not None:
            self._to_write.put_nowait(offset)

    async def _write_offset(self, offset: ClockOffset) -> None:
        self._clock_id = await self._store.add_clock(
            offset.boot_id,
            monotonic_s=offset.monotonic_s,
            utc_us=offset.utc_us,
            speed=offset.speed,
        )

    async def _write(self, item: _Result) -> None:
        outbox = None
        if item.revision:
            payload = render_result(
                item.result,
                self._facts,
                revision=item.revision,
                started_utc=self._clock.utc_text(item.result.started_s),
                decided_utc=self._clock.utc_text(item.result.ended_s),
            )
            outbox = (self._topics.result, payload)
        await self._store.end_trial(
            item.trial,
            item.result,
            rule_json=self._rule_json,
            judged_before=item.judged_before,
            outbox=outbox,
        )
        if outbox is not None:
            self._on_result_stored()
