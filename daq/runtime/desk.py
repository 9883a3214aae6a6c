"""Takes sessions in hand and puts them away, and passes on what happens to the one in hand.

The bench is polled all the time; only what stands here comes and goes.
"""

import asyncio
from collections.abc import Callable, Mapping
from typing import Protocol

from daq.alarm_words import LEFT_RUNNING_TEXT, overdue_text
from daq.answer_words import stopped_answer
from daq.config.bench import Bench
from daq.config.plan import Plan, parse_plan
from daq.errors import (
    ConfigurationError,
    InputError,
    OperationRefusedError,
    Refusal,
)
from daq.operations import SameAsBefore, Start
from daq.records import Reading
from daq.runtime.beginning import (
    ANOTHER_DAY_H,
    Beginning,
    begin_or_resume,
    is_long_ago,
    resume_in_service,
    seconds_since,
)
from daq.runtime.board import Board
from daq.runtime.clock import Clock
from daq.runtime.left_running import Before
from daq.runtime.recorder import Recorder
from daq.runtime.running import Running
from daq.runtime.shelf import Shelf
from daq.runtime.snapshot import AlarmLine
from daq.runtime.store import Store
from daq.runtime.store.resuming import MACHINE, MACHINE_ON, LastSession
from daq.runtime.walk_file import check_lines
from daq.trials.session import Occurrence
from daq.trials.stages import SWITCHED_OFF, Happening
from daq.trials.switching import StartRule
from daq.trials.typed_before import typed_before_text
from daq.typed import TakenBack
from daq.wording import (
    STORE_WAS_FAILING,
    occurrence_text,
)

_BY_WORD = StartRule(None, 0.0, 0.0, 0.0)
"""Only the operator's word tells."""
_LAST = frozenset({Happening.OFF_LAST, Happening.SKIPPED_LAST})


class TellEvent(Protocol):
    """How something that happened is told."""

    def __call__(self, kind: str, text: str, *, at_s: float | None = None) -> None:
        """Tell it, now unless a bench time is given [s]."""


class Desk:
    """One session in hand, or none.

    Attributes:
        running: The session in hand.
        recorder: Keeps what is done.
        event: Tells what happened to record and screens.
    """

    def __init__(
        self,
        bench: Bench,
        *,
        store: Store,
        clock: Clock,
        board: Board,
        recorder: Recorder,
        shelf: Shelf,
        event: TellEvent,
        on_taken: Callable[[], None],
        on_over: Callable[[], None],
        is_answered_at_end: bool = True,
    ) -> None:
        """Nothing in hand.

        Args:
            bench: The meters.
            store: Open.
            clock: Of the service.
            board: Shows the session.
            recorder: Writes it.
            shelf: Plans to choose from.
            event: Tells what happened.
            on_taken: Told when a session is taken in hand.
            on_over: Told when the session is finished or left.
            is_answered_at_end: Somebody can say at the end whether a trial that a limit broke is repeated.
        """
        self.running: Running | None = None
        self.recorder = recorder
        self.event = event
        self._bench = bench
        self._store = store
        self._clock = clock
        self._board = board
        self._shelf = shelf
        self._on_taken = on_taken
        self._on_over = on_over
        self._overdue_told = False
        self._alarms_told: frozenset[str] = frozenset()
        self._has_looked_back = False
        self._is_kept_on = False
        self._is_answered_at_end = is_answered_at_end
        self._worked_s = clock.wire_s()

    # ---- taken in hand, put away

    async def begin(
        self, plan: Plan, *, new_session: bool, same: SameAsBefore | None
    ) -> Running:
        """Take a plan's session in hand.

        Raises:
            InputError, OperationRefusedError: As of `begin_or_resume`.
        """
        await self._look_back()
        beginning = await begin_or_resume(
            self._store,
            self._bench,
            plan,
            self._clock,
            new_session=new_session,
            same=same,
        )
        checks = await self._check_lines(beginning)
        # Not before: what is refused changes nothing.
        self._put_away()
        running = self._take(plan, beginning)
        for line in checks:
            # To the record only: so many lines at once would hide the others on a screen.
            self.recorder.event("check", line, self._clock.bench_s())
        if beginning.is_another_day:
            session = running.session
            session.call_for_baseline()
            self.recorder.keep_order(
                session.order, skipped=session.skipped, is_paused=session.paused
            )
        if running.is_finished:
            self._finished()
        return running

    async def _check_lines(self, beginning: Beginning) -> list[str]:
        """What was checked before a session that begins, or goes on on another day."""
        if beginning.worked_on_utc and not beginning.is_another_day:
            return []
        utc = self._clock.utc_text()
        return await asyncio.to_thread(check_lines, self._store.path, self._bench, utc)

    def _take(self, plan: Plan, beginning: Beginning) -> Running:
        found_s = self._clock.bench_s() if self._board.may_run else None
        running = self.running = Running(
            self._bench, plan, beginning, found_running_s=found_s
        )
        running.lines.owed.is_answered_at_end = self._is_answered_at_end
        self._board.open(running.lines)
        self.recorder.open(running.facts, plan.rules)
        since_s = 0.0
        if beginning.worked_on_utc:
            since_s = max(seconds_since(beginning.worked_on_utc, self._clock), 0.0)
        self._worked_s = self._clock.wire_s() - since_s
        self._on_taken()
        return running

    async def _look_back(self) -> None:
        """See once, before anything is taken in hand, whether the machine was left running when the program ended."""
        if self._has_looked_back:
            return
        last = await self._store.last_session()
        self._has_looked_back = True
        if last is None:
            return
        rule = self._start_rule_of(last)
        if last.is_machine_on:
            self._board.left_behind(rule, Before.MAYBE)
            # Before the trial that was cut off is marked so: a second kill must not forget it.
            self._keep_machine()
        elif rule.channel is not None:
            self._board.left_behind(rule, Before.UNKNOWN)

    def _start_rule_of(self, last: LastSession) -> StartRule:
        """A plan that does not fit this bench any more tells nothing of the machine."""
        file = f"plan of session {last.number}"
        try:
            plan = parse_plan(last.plan_text, file=file, bench=self._bench)
        except ConfigurationError:
            return _BY_WORD
        return plan.rules.start

    async def take_up(self) -> str:
        """Take up the session that was in hand when the program was killed, if it is still the same day.

        Returns:
            A sentence that says what is in hand, or why nothing is.
        """
        await self._look_back()
        found = await self._store.session_in_service()
        if found is None:
            return "The bench is idle."
        number = found.facts.number
        if is_long_ago(found.worked_on_utc, self._clock):
            return (
                f"Session {number} was in hand on another day:"
                " start it once machine, meters and room are as they were."
            )
        try:
            plan = self._shelf.plan(found.facts.plan)
            beginning = await resume_in_service(
                self._store, found, self._bench, plan, self._clock
            )
        except (InputError, OperationRefusedError) as exc:
            return f"Session {number} cannot go on by itself: {exc}"
        running = self._take(plan, beginning)
        open_numbers = {s.number for s in await self._store.open_sessions()}
        # The program was killed before that was written.
        if running.is_finished and number in open_numbers:
            self._finished()
        elif not running.is_finished and number not in open_numbers:
            self.recorder.reopen()
        if running.is_finished:
            return f"Session {number} is finished; it stands until it is put away or another is started."
        return running.words

    async def take_in_hand(self, start: Start) -> str:
        """Begin or take up a session, as an operator asks; a sentence says which.

        Raises:
            OperationRefusedError: If one is in hand, or this one cannot go on.
        """
        running = self.running
        if running is not None and not running.is_finished:
            text = f"session {running.facts.number} is in hand; stop it first"
            raise OperationRefusedError(Refusal.BUSY, text)
        plan = await asyncio.to_thread(self._shelf.plan, start.plan)
        try:
            begun = await self.begin(plan, new_session=start.new, same=start.same)
        except InputError as exc:
            raise OperationRefusedError(Refusal.CHANGED, str(exc)) from exc
        self.event("session", begun.words)
        return begun.words

    def refuse_while_failing(self) -> None:
        """A session cannot be begun in a store that cannot be written, and must not be begun later unasked.

        Raises:
            OperationRefusedError: If it cannot.
        """
        if self._store.failing is not None:
            text = f"the store cannot be written, so nothing can be begun: {self._store.failing}"
            raise OperationRefusedError(Refusal.STORE_FAILING, text)

    def leave(self) -> str:
        """Leave the session in hand as it stands; a sentence says that.

        Raises:
            OperationRefusedError: If none is in hand.
        """
        running = self.running
        if running is None:
            text = "no session is in hand; there is nothing to stop"
            raise OperationRefusedError(Refusal.NO_SESSION, text)
        number = running.facts.number
        is_on = running.session.running_since_s is not None
        words = (
            f"Session {number} is put away."
            if running.is_finished
            else stopped_answer(number)
        )
        if is_on:
            words = f"{words} {LEFT_RUNNING_TEXT}"
            self._alarms_told |= {LEFT_RUNNING_TEXT}
        self.event("session", words)
        self._put_away()
        self._on_over()
        return words

    @property
    def is_left_running(self) -> bool:
        """A machine runs, or may, and no session is in hand."""
        return self.running is None and self._board.may_run

    def machine_off(self) -> bool:
        """The operator says so without a session; tells whether that is taken, for the start channel may gainsay it."""
        return self._board.machine_off()

    def journal(self, kind: str, detail: Mapping[str, object], *, way: str) -> None:
        """Keep what an operator asked for that tells of the machine too: whether it runs after that."""
        self._is_kept_on = self._is_machine_on
        if self._is_kept_on:
            detail = {**detail, MACHINE_ON: True}
        self.recorder.operation(kind, detail, way=way)

    @property
    def _is_machine_on(self) -> bool:
        """The machine runs, or may, as far as anybody knows."""
        if self.running is None:
            return self._board.may_run
        return self.running.session.running_since_s is not None

    def _keep_machine(self) -> None:
        """Tell the journal where that has changed without an operator's word: the next program must know what was seen last."""
        is_on = self._is_machine_on
        if self._has_looked_back and is_on is not self._is_kept_on:
            self._is_kept_on = is_on
            self.recorder.operation(MACHINE, {MACHINE_ON: is_on}, way="service")

    def _put_away(self) -> None:
        self.recorder.leave()
        self.running = None
        self._board.close()

    # ---- what happens to it

    def feed(self, reading: Reading) -> None:
        """Give a reading to the session."""
        if self.running is not None:
            self.happened(self.running.session.feed(reading))
        self._keep_machine()

    def taken_back(self, taken: TakenBack) -> None:
        """A typed reading counts no more: no screen shows it."""
        self._board.take_back(taken)

    def watch_lead(self, reading: Reading) -> None:
        """Give a reading that the record has to the watch over the fitted lead."""
        if self.running is None:
            return
        for channel, value in self._board.values_of(reading).items():
            if value is not None:
                self.running.leads.feed(channel, reading.at_s, value)

    def tick(self, now_s: float) -> None:
        """Let time pass [s]."""
        running = self.running
        if running is not None:
            self._tick(running, now_s)
        alarms = self._board.alarms_for_the_record(now_s)
        for text in alarms:
            if text not in self._alarms_told:
                self.event("alarm", text)
        self._alarms_told = frozenset(alarms)
        self._keep_machine()

    def _tick(self, running: Running, now_s: float) -> None:
        self.happened(running.session.tick(now_s))
        self._look_at_the_day(running)
        warning = running.leads.warning(now_s)
        if warning is not None:
            running.session.mark(warning.seen)
            self._board.lead_warning = AlarmLine(warning.text, now_s)
            self.event("lead", warning.text)
        is_overdue = running.session.overdue_since_s is not None
        if is_overdue and not self._overdue_told:
            plan = running.plan
            words = overdue_text(plan.rules.longest_s, is_stated=plan.states_longest)
            self.event("alarm", words)
        self._overdue_told = is_overdue

    def _look_at_the_day(self, running: Running) -> None:
        """A session that nobody works on is put away: on another day it has to be asked whether all is the same."""
        if running.in_hand is not None or running.is_finished or not running.ended:
            return
        if self._clock.wire_s() - self._worked_s < ANOTHER_DAY_H * 3600.0:
            return
        number = running.facts.number
        words = (
            f"Session {number} is put away: nobody has worked on it for {ANOTHER_DAY_H:g} hours."
            " Start it again once machine, meters and room are as they were."
        )
        self.event("session", words)
        self._put_away()
        self._on_over()

    @property
    def is_asking(self) -> bool:
        """Whether a trial may be carried out once more, for which the service has to be there still."""
        return (
            self.running is not None and self.running.lines.repeat_offer() is not None
        )

    def still_typing(self) -> None:
        """The operator is at the reading that is asked for; nothing is kept of that."""
        if self.running is not None:
            self.running.session.still_typing()

    def mark(self, note: str) -> None:
        """Write something down about the trial in hand."""
        if self.running is not None:
            self.running.session.mark(note)

    def happened(self, occurrences: list[Occurrence]) -> None:
        """Pass on what happened to the session in hand."""
        running = self.running
        if running is None:
            return
        for occurrence in occurrences:
            before = self.recorder.trial
            self.recorder.note(occurrence)
            running.happened(occurrence, trial=before or self.recorder.trial)
            if occurrence.happening is not None:
                self._worked_s = self._clock.wire_s()
            if occurrence.happening is Happening.SWITCHED_ON:
                if self._board.store.state != "ok":
                    running.session.mark(STORE_WAS_FAILING)
            elif occurrence.happening in SWITCHED_OFF:
                self._board.lead_warning = None
            text = occurrence_text(occurrence) + typed_before_text(occurrence)
            self.event("trial", text, at_s=occurrence.at_s)
        # Once: a limit that breaks afterwards is told of a session that is finished already.
        if any(o.happening in _LAST for o in occurrences):
            self._finished()

    def _finished(self) -> None:
        self.recorder.finish()
        self._on_over()
