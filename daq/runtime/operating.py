"""Carries out what operators ask for, one thing at a time, whichever way it came.

Every operation is kept in the store's journal with the way it came. What it changes of the order is written behind it: a store in
trouble holds up no operator, and loses nothing.
"""

import asyncio
from dataclasses import asdict
from functools import singledispatchmethod
from typing import NoReturn

from daq.answer_words import (
    ACKNOWLEDGED_ANSWER,
    MACHINE_OFF_ANSWER,
    NOTED_ANSWER,
    gone_on_answer,
    paused_answer,
    put_off_answer,
    relabelled_answer,
    repeated_answer,
    set_aside_answer,
    skipped_answer,
    switched_answer,
)
from daq.errors import OperationRefusedError, Refusal
from daq.operations import (
    Acknowledge,
    CannotRead,
    GoOn,
    Note,
    Operation,
    Pause,
    Relabel,
    Repeat,
    Skip,
    Start,
    Stop,
    Switched,
    TakeBack,
    TypedReading,
)
from daq.records import PlannedTrial
from daq.runtime.clock import Clock
from daq.runtime.desk import Desk
from daq.runtime.recorder import Altered
from daq.runtime.running import Running
from daq.runtime.store.taken_back import TAKE_BACK
from daq.runtime.typed_entries import TypedEntries
from daq.trials.session import Occurrence
from daq.wording import (
    sentence,
)

_STARTED_WITHIN_S = 10.0
"""Longest wait for the store to begin a session [s]."""

_KEPT_WITHIN_S = 2.0
"""Longest wait for a start or a stop to be on the disk [s]."""

_KINDS: dict[type[Operation], str] = {
    Start: "start",
    Pause: "pause",
    GoOn: "go-on",
    Skip: "skip",
    Repeat: "repeat",
    Stop: "stop",
    Relabel: "relabel",
    Note: "note",
    Acknowledge: "acknowledge",
    Switched: "switched",
    TypedReading: "reading",
    CannotRead: "cannot-read",
    TakeBack: TAKE_BACK,
}
_OF_THE_MACHINE = (Start, Switched)
_OF_THE_TRIAL_IN_HAND = (TypedReading, CannotRead, TakeBack)


_CHANNEL_BELIEVED = (
    "the start channel says that the machine runs: that is believed rather than the key"
)


class Operating:
    """Takes operations."""

    def __init__(self, desk: Desk, *, clock: Clock, typed: TypedEntries) -> None:
        self._desk = desk
        self._clock = clock
        self._typed = typed
        self._one_at_a_time = asyncio.Lock()

    async def operate(self, operation: Operation, *, way: str) -> str:
        """Carry one out; returns a sentence that says what was done.

        Args:
            operation: What is asked for.
            way: How it came, for the record: "page", "command line", "broker", "terminal".

        Raises:
            OperationRefusedError: If it cannot be done now.
        """
        async with self._one_at_a_time:
            kind = _KINDS[type(operation)]
            # What is asked happens now, not when something was last read.
            self._desk.tick(self._clock.bench_s())
            if isinstance(operation, Stop):
                # Kept while there is still a session that it belongs to.
                self._in_hand()
                self._desk.journal(kind, {}, way=way)
                text = self._desk.leave()
                # Whoever was told that it is left must not find it taken up again after a kill.
                await self._desk.recorder.keep_now(within_s=_KEPT_WITHIN_S)
                return text
            detail = asdict(operation)
            if isinstance(operation, Start):
                self._desk.refuse_while_failing()
                text = await self._started(operation)
            elif isinstance(operation, TakeBack):
                text, detail = self._taken_back(operation, way)
            else:
                text = self._carried_out(operation, way)
            trial = operation.trial if isinstance(operation, Relabel) else None
            if isinstance(operation, _OF_THE_TRIAL_IN_HAND):
                trial = self._desk.recorder.trial
            if isinstance(operation, _OF_THE_MACHINE):
                self._desk.journal(kind, detail, way=way)
            else:
                self._desk.recorder.operation(kind, detail, way=way, trial=trial)
            if isinstance(operation, Start):
                await self._desk.recorder.keep_now(within_s=_KEPT_WITHIN_S)
            return text

    async def _started(self, start: Start) -> str:
        """A store that has just stopped answering must not hold up every operator after this one."""
        try:
            async with asyncio.timeout(_STARTED_WITHIN_S):
                return await self._desk.take_in_hand(start)
        except TimeoutError as exc:
            text = f"the store did not answer within {_STARTED_WITHIN_S:g} s; see what it says of itself and start again"
            raise OperationRefusedError(Refusal.STORE_FAILING, text) from exc

    def _in_hand(self) -> Running:
        running = self._desk.running
        if running is None:
            text = "no session is in hand; start one first"
            raise OperationRefusedError(Refusal.NO_SESSION, text)
        return running

    # ---- one by one

    @singledispatchmethod
    def _carried_out(self, operation: Operation, way: str) -> str:
        msg = f"no such operation from the {way}: {operation!r}"
        raise TypeError(msg)

    @_carried_out.register
    def _(self, _operation: Pause, way: str) -> str:
        running = self._in_hand()
        running.session.pause()
        return self._ordered(running, paused_answer(running.in_hand), way)

    @_carried_out.register
    def _(self, _operation: GoOn, way: str) -> str:
        running = self._in_hand()
        session = running.session
        session.go_on()
        words = gone_on_answer(
            session.called_for, switch_off_first=session.must_switch_off_first
        )
        return self._ordered(running, words, way)

    @_carried_out.register
    def _(self, operation: Skip, way: str) -> str:
        running = self._in_hand()
        line = running.session.called_for
        occurrences = running.session.skip()
        words = skipped_answer(line, running.session.called_for) if line else ""
        because = f" {sentence(operation.reason)}" if operation.reason else ""
        answer = self._ordered(running, f"{words}{because}", way)
        self._desk.happened(occurrences)
        return answer

    @_carried_out.register
    def _(self, operation: Repeat, way: str) -> str:
        running = self._in_hand()
        if operation.instead_because:
            return self._repeat_instead(running, operation, way)
        if running.lines.owed.is_called_for_again(operation.position):
            text = "this trial is called for once more already; carry that out, or skip it, first"
            raise OperationRefusedError(Refusal.ALREADY_SO, text)
        occurrences = running.session.repeat(operation.position)
        self._reopened(running, occurrences)
        line = _last_added(running)
        return self._ordered(running, repeated_answer(line), way)

    def _repeat_instead(self, running: Running, operation: Repeat, way: str) -> str:
        found = running.newest_of(operation.position)
        if found is None:
            text = (
                f"line {operation.position} has no trial that has ended;"
                " there is nothing to set aside"
            )
            raise OperationRefusedError(Refusal.UNKNOWN_TRIAL, text)
        number, before = found
        reason = operation.instead_because
        result, occurrences = running.session.repeat_instead(before, reason)
        self._altered(running, Altered(number, result, reason, way), occurrences)
        words = f"{set_aside_answer(before.planned)} {sentence(reason)}"
        return self._ordered(running, words, way)

    @_carried_out.register
    def _(self, operation: Relabel, way: str) -> str:
        running = self._in_hand()
        before = running.trial_of(operation.trial)
        reason = operation.reason
        result, occurrences = running.session.relabel(
            before, operation.condition, reason
        )
        altered = Altered(operation.trial, result, reason, way)
        self._altered(running, altered, occurrences)
        words = relabelled_answer(before.planned, result.planned)
        return self._ordered(running, f"{words} {sentence(reason)}", way)

    @_carried_out.register
    def _(self, operation: Note, way: str) -> str:
        running = self._desk.running
        if running is not None:
            running.session.mark(f"note: {operation.text}")
        self._desk.event("note", f"Note from the {way}: {operation.text}")
        return NOTED_ANSWER

    @_carried_out.register
    def _(self, _operation: Acknowledge, way: str) -> str:
        session = self._in_hand().session
        try:
            session.acknowledge()
        except OperationRefusedError as exc:
            self._desk.event("operator", f"{sentence(str(exc))} Asked from the {way}.")
            raise
        self._desk.event("operator", f"Acknowledged from the {way}.")
        return ACKNOWLEDGED_ANSWER

    @_carried_out.register
    def _(self, _operation: Switched, way: str) -> str:
        if self._desk.is_left_running:
            if not self._desk.machine_off():
                self._refuse(_CHANNEL_BELIEVED, way)
            self._desk.event("operator", f"{MACHINE_OFF_ANSWER} Said from the {way}.")
            return MACHINE_OFF_ANSWER
        running = self._in_hand()
        session, had_trial = running.session, running.session.trial() is not None
        occurrences = session.operator_switched(self._clock.bench_s())
        if not occurrences:
            self._refuse(_not_taken(running), way)
        self._desk.happened(occurrences)
        if not had_trial and session.trial() is None:
            return MACHINE_OFF_ANSWER
        return switched_answer(session.stage)

    @_carried_out.register
    def _(self, operation: TypedReading, way: str) -> str:
        running = self._in_hand()
        taken = self._typed.read(running, operation, now_s=self._clock.bench_s())
        self._typed.on_reading(taken.reading)
        self._desk.event("operator", f"{taken.words} Typed at the {way}.")
        return taken.words

    @_carried_out.register
    def _(self, operation: CannotRead, way: str) -> str:
        running = self._in_hand()
        title = self._typed.title_of_asked(running, operation.channel)
        running.session.cannot_read()
        words = put_off_answer(title)
        told = f"{title} could not be read, as the {way} says; it is asked for again."
        self._desk.event("operator", told)
        return words

    # ---- parts

    def _refuse(self, text: str, way: str) -> NoReturn:
        """The operator's word is not taken; whoever pressed a key reads why among the events."""
        self._desk.event("operator", f"{sentence(text)} Asked from the {way}.")
        raise OperationRefusedError(Refusal.NOT_TAKEN, text)

    def _taken_back(
        self, operation: TakeBack, way: str
    ) -> tuple[str, dict[str, object]]:
        """What is said, and what the journal keeps: the value, and where in the order of readings it was taken back."""
        running, recorder = self._in_hand(), self._desk.recorder
        withdrawn = self._typed.take_back(running, operation)
        self._desk.taken_back(withdrawn.taken)
        if withdrawn.result is not None:
            running.lines.take_results([withdrawn.result])
            recorder.averaged_again(withdrawn.result)
        self._desk.event("operator", f"{withdrawn.words} Asked from the {way}.")
        detail: dict[str, object] = {
            **asdict(withdrawn.taken),
            "value": withdrawn.value,
            "before_reading": recorder.next_reading,
        }
        return withdrawn.words, detail

    def _ordered(self, running: Running, words: str, way: str) -> str:
        """Keep the order as it stands now, and say what was done."""
        session = running.session
        self._desk.recorder.keep_order(
            session.order, skipped=session.skipped, is_paused=session.paused
        )
        self._desk.event("operator", f"{words} Asked from the {way}.")
        return words

    def _reopened(self, running: Running, occurrences: list[Occurrence]) -> None:
        if occurrences and not running.is_finished:
            self._desk.recorder.reopen()
        self._desk.happened(occurrences)

    def _altered(
        self, running: Running, altered: Altered, occurrences: list[Occurrence]
    ) -> None:
        running.altered(altered.trial, altered.result)
        self._desk.recorder.alter(altered)
        self._reopened(running, occurrences)


def _last_added(running: Running) -> PlannedTrial:
    """Positions count up as lines are added."""
    return max(running.session.order, key=lambda line: line.position)


def _not_taken(running: Running) -> str:
    # Also in a pause, and where it was found running: while it runs only its channel can be against the word.
    if running.session.running_since_s is not None:
        return _CHANNEL_BELIEVED
    if running.session.is_paused_now:
        return "the session is paused, go on first, then switch on"
    return "nothing is called for, so nothing begins"
