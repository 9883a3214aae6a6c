"""What happened goes to the store, in order, and its results to the broker's outbox.

Readings are labelled with the trial that runs when they come. A trial's averages are stored the moment they are confirmed,
so that a program killed before the machine is switched off has lost nothing. Between sessions readings are kept
without a session, and so are events.
"""

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

from daq.messages import Topics, render_result
from daq.records import (
    Gap,
    PlannedTrial,
    Reading,
    SessionFacts,
    TrialResult,
    TrialState,
)
from daq.runtime.clock import Clock, ClockOffset
from daq.runtime.store import Store
from daq.trials.judging import SessionRules, render_rule
from daq.trials.session import Occurrence
from daq.trials.stages import SWITCHED_OFF, Happening

_JUDGING_OVER = frozenset({Happening.TIME_UP, Happening.LIMIT_BROKEN})
"""The machine runs on, but the settling rule is given no more of its readings."""

_CLOCKS_KNOWN = 8
"""More than a clock tells apart: earlier moments have their row already [1]."""
_LIVE_REVISIONS = 2
"""A trial is told twice at most while it runs, confirmed and a limit broken after that; and once more for each typed reading
that was taken back, which count as corrections."""


@dataclass(frozen=True, slots=True)
class _Session:
    """The session that is written."""

    facts: SessionFacts
    rule_json: str


@dataclass(frozen=True, slots=True)
class _Result:
    """A result on its way to the store, with what the broker is told of it; None for nothing."""

    session: _Session
    trial: int
    result: TrialResult
    payload: str | None
    judged_before: int | None


@dataclass(frozen=True, slots=True)
class Altered:
    """A trial that has ended counts for another line, or no longer.

    Attributes:
        trial: Its number in the store.
        result: As it stands now.
        reason: The operator's.
        way: How that was told.
    """

    trial: int
    result: TrialResult
    reason: str
    way: str


class Recorder:
    """Writes what the bench does."""

    def __init__(
        self,
        store: Store,
        *,
        clock: Clock,
        clock_id: int,
        topics: Topics,
        on_result_stored: Callable[[], None],
    ) -> None:
        self._store = store
        self._clock = clock
        self._clock_ids = {clock.offset: clock_id}
        self._session: _Session | None = None
        self._topics = topics
        self._on_result_stored = on_result_stored
        self._trial: int | None = None
        self._started_utc = ""
        self._revision = 0
        self._judged_before: int | None = None
        self._to_write: asyncio.Queue[Callable[[], Awaitable[None]]] = asyncio.Queue()

    def open(self, facts: SessionFacts, rules: SessionRules) -> None:
        """What comes from now on belongs to this session."""
        self._session = _Session(facts, render_rule(rules))

        self._begin_span(facts.number)

    def leave(self) -> None:
        """What comes from now on belongs to no session; a trial in hand of which nothing is known is unfinished."""
        number, trial = self._number(), self._trial
        is_open = trial is not None and self._revision == 0
        self._session = None
        self._trial = None
        if number is None:
            return
        numbers = self._store.next_numbers

        async def write() -> None:
            if trial is not None and is_open:
                note = "the session was left while it ran"
                await self._store.mark_unfinished(trial, note)
            await self._store.end_span(number, numbers)

        self._to_write.put_nowait(write)

    def finish(self) -> None:
        """Every line of the session is done or left out."""
        number, ended_utc = self._number(), self._clock.utc_text()
        if number is None:
            return
        numbers = self._store.next_numbers

        async def write() -> None:
            await self._store.end_session(number, state="finished", ended_utc=ended_utc)
            await self._store.end_span(number, numbers)

        self._to_write.put_nowait(write)

    @property
    def trial(self) -> int | None:
        """Number in the store of the trial in hand."""
        return self._trial

    @property
    def next_reading(self) -> int:
        """Number that the next reading will have."""
        return self._store.next_reading

    def take(self, outcome: Reading | Gap) -> None:
        """Keep a reading or a gap."""
        clock_id = self._clock_at(outcome.at_s)
        if isinstance(outcome, Gap):
            self._store.add_gap(outcome, clock_id=clock_id, trial_id=self._trial)
        else:
            self._store.add_reading(outcome, clock_id=clock_id, trial_id=self._trial)

    def event(self, kind: str, text: str, at_s: float) -> None:
        """Keep a line of the events."""
        self._store.add_event(
            kind,
            text,
            at_s=at_s,
            clock_id=self._clock_at(at_s),
            session_id=self._number(),
        )

    def operation(
        self,
        kind: str,
        detail: Mapping[str, object],
        *,
        way: str,
        trial: int | None = None,
    ) -> None:
        """Keep what an operator asked for."""
        at_s = self._clock.bench_s()
        self._store.add_operation(
            kind,
            at_s=at_s,
            clock_id=self._clock_at(at_s),
            session_id=self._number(),
            way=way,
            trial_id=trial,
            detail=detail,
        )

    def note(self, occurrence: Occurrence) -> None:
        """Take what happened to the trial; what must be durable at once is written by `run`."""
        session, planned = self._session, occurrence.planned
        if session is None:
            return
        if occurrence.happening is Happening.SWITCHED_ON and planned is not None:
            self._revision = 0
            self._judged_before = None
            # The row of the trial keeps to this clock, whatever is done to UTC until it has ended.
            self._started_utc = self._clock.utc_text(occurrence.at_s)
            self._trial = self._store.begin_trial(
                session.facts.number,
                planned,
                attempt=occurrence.attempt,
                uuid=occurrence.trial_id,
                clock_id=self._clock_at(occurrence.at_s),
                started_s=occurrence.at_s,
                rule_json=session.rule_json,
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
            payload = None if told_before else self._told(session.facts, result)
            item = _Result(session, self._trial, result, payload, self._judged_before)
            self._to_write.put_nowait(lambda: self._write(item))
        if occurrence.happening in SWITCHED_OFF:
            self._trial = None

    def averaged_again(self, result: TrialResult) -> None:
        """The trial in hand has other averages now: a typed reading was taken back."""
        session, trial = self._session, self._trial
        if session is None or trial is None:
            return
        self._revision += 1
        payload = self._told(session.facts, result)
        item = _Result(session, trial, result, payload, self._judged_before)
        self._to_write.put_nowait(lambda: self._write(item))

    def keep_order(
        self,
        order: Sequence[PlannedTrial],
        *,
        skipped: Collection[int],
        is_paused: bool,
    ) -> None:
        """Write what is to be done, as it stands now: who says that works on the session."""
        number, lines, left_out = self._number(), tuple(order), frozenset(skipped)
        if number is None:
            return

        async def write() -> None:
            await self._store.update_session(
                number, order=lines, skipped=left_out, paused=is_paused
            )

        self._to_write.put_nowait(write)

    def reopen(self) -> None:
        """The session was finished, and is not any more."""
        number = self._number()
        if number is None:
            return
        self._to_write.put_nowait(lambda: self._store.reopen_session(number))
        self._begin_span(number)

    def _begin_span(self, session: int) -> None:
        # What is read until this is written belongs to the session too.
        numbers = self._store.next_numbers
        self._to_write.put_nowait(lambda: self._store.begin_span(session, numbers))

    def alter(self, altered: Altered) -> None:
        """Write that a trial counts for another line, or no longer; the broker is told it once more."""
        session = self._session
        if session is None:
            return

        async def write() -> None:
            told = await self._store.told_of(altered.trial)
            payload = render_result(
                altered.result,
                session.facts,
                revision=_LIVE_REVISIONS + told.corrections + 1,
                started_utc=told.started_utc,
                decided_utc=told.ended_utc,
            )
            reason, way = altered.reason, altered.way
            at_utc = self._clock.utc_text()
            outbox = (self._topics.result, payload)
            if altered.result.state is TrialState.SET_ASIDE:
                await self._store.set_aside_trial(
                    altered.trial, reason=reason, way=way, at_utc=at_utc, outbox=outbox
                )
            else:
                await self._store.relabel_trial(
                    altered.trial,
                    planned=altered.result.planned,
                    reason=reason,
                    way=way,
                    at_utc=at_utc,
                    outbox=outbox,
                )
            self._on_result_stored()

        self._to_write.put_nowait(write)

    async def run(self) -> None:
        """Write until cancelled."""
        while True:
            write = await self._to_write.get()
            try:
                await write()
            finally:
                self._to_write.task_done()

    async def keep_now(self, *, within_s: float) -> None:
        """Wait until what was noted so far is on the disk, but not longer than that: a store in trouble keeps nobody."""
        self._to_write.put_nowait(self._store.flush)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                await self._to_write.join()

    async def wait_written(self) -> None:
        """Wait until everything so far is on the disk."""
        await self._to_write.join()

    def keep_clock(self) -> None:
        """Record how bench time and UTC stand to each other, where that is due; waits for nothing."""
        self._clock_at(self._clock.bench_s())

    def _clock_at(self, at_s: float) -> int:
        """Number in the store of what ties a bench time to UTC."""
        offset = self._clock.offset_at(at_s)
        if offset not in self._clock_ids:
            self._clock_ids[offset] = self._begin_clock(offset)
            if len(self._clock_ids) > _CLOCKS_KNOWN:
                del self._clock_ids[next(iter(self._clock_ids))]
        return self._clock_ids[offset]

    def _begin_clock(self, offset: ClockOffset) -> int:
        return self._store.begin_clock(
            offset.boot_id,
            monotonic_s=offset.monotonic_s,
            utc_us=offset.utc_us,
            speed=offset.speed,
        )

    def _number(self) -> int | None:
        return self._session.facts.number if self._session else None

    def _told(self, facts: SessionFacts, result: TrialResult) -> str:
        """What the broker is told, with the UTC of now: it may be written much later."""
        return render_result(
            result,
            facts,
            revision=self._revision,
            started_utc=self._started_utc,
            decided_utc=self._clock.utc_text(result.ended_s),
        )

    async def _write(self, item: _Result) -> None:
        outbox = None if item.payload is None else (self._topics.result, item.payload)
        await self._store.end_trial(
            item.trial,
            item.result,
            rule_json=item.session.rule_json,
            judged_before=item.judged_before,
            outbox=outbox,
        )
        if outbox is not None:
            self._on_result_stored()
