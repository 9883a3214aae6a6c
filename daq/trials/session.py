"""The session: from "fit this" through switch-on, settling and averaging to switch-off, and on to the next.

Moved by readings and time alone, along the table of stages.py; what the table does not know in a stage is a fault of
this program and raises.
"""

import uuid
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

from daq.records import Channel, PlannedTrial, Reading, TrialResult, TrialState
from daq.settling.phases import ChannelProgress, FunnelPoint, Phase, PhaseChange
from daq.settling.verdicts import HeldBackBy
from daq.trials.amending import (
    line_asked_for,
    line_to_skip,
    refuse_acknowledging,
    refuse_going_on,
    refuse_pausing,
    refuse_relabelling,
    refuse_setting_aside,
    relabelled,
    set_aside,
)
from daq.trials.idle import IdleReadings
from daq.trials.in_hand import TrialInHand
from daq.trials.in_hand import TrialView as TrialView  # handed on
from daq.trials.itinerary import Itinerary
from daq.trials.judging import SessionRules as SessionRules  # handed on
from daq.trials.judging import reading_order
from daq.trials.known_on import KnownOn, start_detector
from daq.trials.limits import Breach, LimitWatches, usable
from daq.trials.running_on import RunningOn
from daq.trials.stages import OVER, RUNNING, TRANSITIONS, Happening, Stage
from daq.trials.stages import Occurrence as Occurrence  # handed on
from daq.trials.switching import Switch
from daq.typed import Asking, TakenBack, TypedAt


def _new_trial_id() -> str:
    return str(uuid.uuid4())


class Session:
    """Takes readings; says what happened."""

    def __init__(
        self,
        rules: SessionRules,
        order: Sequence[PlannedTrial],
        *,
        earlier: Sequence[TrialResult] = (),
        skipped: Collection[int] = (),
        paused: bool = False,
        found_running: bool = False,
        has_meters: bool = True,
        new_trial_id: Callable[[], str] = _new_trial_id,
    ) -> None:
        """Begin or resume.

        Args:
            rules: Of plan and bench.
            order: Every trial of the session, in order of calling.
            earlier: Trials that ended before an interruption; those that need no repeat count as done.
            skipped: Positions of lines that are left out.
            paused: Whether no trial may begin until told to go on.
            found_running: The machine runs, or may: nobody saw it switched off.
            has_meters: A value that is not usable comes from a meter, over its range perhaps; in a log it may be a hole.
            new_trial_id: Gives each trial its UUID.
        """
        self.stage = Stage.WAITING
        self.now_s = float("-inf")
        self.stage_since_s: float | None = None
        self._rules = rules
        self._new_trial_id = new_trial_id
        self._itinerary = Itinerary(order, skipped=skipped, earlier=earlier)
        self._paused, self._has_meters = paused, has_meters
        self._found_running = found_running
        if self._itinerary.next_line() is None:
            self.stage = Stage.FINISHED
        self._detector = start_detector(rules)
        self._running = RunningOn(rules.longest_s)
        self._known_on = KnownOn(rules, self._detector, self._running)
        self._watches = LimitWatches(rules.limits, rules.channels)
        self._by_instrument: dict[str, list[Channel]] = {}
        for channel in reading_order(rules):
            self._by_instrument.setdefault(channel.instrument, []).append(channel)
        self._trial: TrialInHand | None = None
        self._idle = IdleReadings(rules.channels)

    # ---- what happens to it

    def feed(self, reading: Reading) -> list[Occurrence]:
        """Take one reading, in order of arrival; returns what it brought about."""
        occurrences = self.tick(reading.at_s)
        shown = [
            (channel.name, usable(reading.values[channel.field_index]))
            for channel in self._by_instrument.get(reading.instrument, ())
        ]
        values = [(channel, value) for channel, value in shown if value is not None]
        told = shown if self._has_meters else values
        for channel, told_value in told:
            self._known_on.feed(channel, reading.at_s, told_value)
        for channel, value in values:
            if channel == self._rules.start.channel:
                occurrences += self._switching(reading.at_s, value)
        for channel, told_value in told:
            occurrences += self._limits(channel, reading.at_s, told_value)
        for channel, value in values:
            self._idle.feed(channel, reading.at_s, value)
        # Last and whole, or not at all: re-analysis must know which readings were judged.
        return occurrences + self._judge(reading.at_s, values)

    def operator_switched(self, now_s: float) -> list[Occurrence]:
        """Take the operator's word that the machine was just switched: off if it runs, else on [s]; in a pause without a trial."""
        occurrences = self.tick(now_s)
        trial, line = self._trial, self._itinerary.next_line()
        is_on = trial is not None or self._running.since_s is not None
        # Where the start channel says that it runs: a key is hit by mistake more easily than a current flows by mistake.
        if is_on and not self._detector.gainsays_off(self.now_s):
            self._detector.told(Switch.OFF, self.now_s)
            self._machine_off()
            off = Occurrence(self.stage, None, self.now_s, None)
            ended = self._switched_off(trial, self.now_s) if trial else off
            self._idle.forget()
            return [*occurrences, ended]
        if is_on or line is None:
            return occurrences
        if self._paused:
            self._idle.forget()  # it may run from now on: what is read is no zero
            return occurrences
        self._detector.told(Switch.ON, self.now_s)
        self._idle.forget()
        return [*occurrences, self._switched_on(line, self.now_s)]

    def mark(self, note: str) -> None:
        """Write something down about the trial in hand, once."""
        if self._trial is not None and note not in self._trial.notes:
            self._trial.notes.append(note)

    def tick(self, now_s: float) -> list[Occurrence]:
        """Let time pass [s]; a trial that has taken too long is given up."""
        self.now_s = max(self.now_s, now_s)
        if self.stage_since_s is None:
            self.stage_since_s = self.now_s
        if self._found_running:
            self._found_running = False
            self._known_on.found_running(self.now_s)
        trial = self._trial
        if trial is None or self.stage not in RUNNING:
            return []
        if self.now_s - trial.started_s >= self._rules.longest_s:
            return [self._give_up(trial)]
        missed = trial.tick(self.now_s)
        return [trial.told_of_missed(missed, self.stage, self.now_s)] if missed else []

    def acknowledge(self) -> None:
        """Take the operator's word that the machine, which has run too long, may run as long again.

        Raises:
            OperationRefusedError: If it has not: a word given beforehand would silence the alarm when nobody is there.
        """
        refuse_acknowledging(is_overdue=self.overdue_since_s is not None)
        self._running.may_go_on(self.now_s)

    def cannot_read(self) -> None:
        """What the operator is asked to type cannot be read now: it is asked for again later."""
        if self._trial is not None:
            self._trial.askings.put_off(self.now_s)

    def still_typing(self) -> None:
        """The operator is at what is asked for: the time to answer in begins anew."""
        if self._trial is not None:
            self._trial.askings.still_typing(self.now_s)

    def take_back(self, taken: TakenBack) -> TrialResult | None:
        """A typed reading counts no more; returns the trial in hand where that was averaged already."""
        trial = self._trial
        return trial.take_back(taken, self._idle.values()) if trial else None

    # ---- what an operator asks for; it happens at the time of the last reading or tick

    def pause(self) -> None:
        """Begin no further trial until told to go on; the trial in hand is not touched.

        Raises:
            OperationRefusedError: If there is nothing to pause.
        """
        refuse_pausing(is_paused=self._paused, is_finished=self.stage is Stage.FINISHED)
        self._paused = True

    def go_on(self) -> None:
        """End the pause; a machine that runs has to be switched off first.

        Raises:
            OperationRefusedError: If there is no pause.
        """
        refuse_going_on(is_paused=self._paused)
        self._paused = False

    def skip(self) -> list[Occurrence]:
        """Leave out the line that is called for.

        Raises:
            OperationRefusedError: If a trial runs, or nothing is called for.
        """
        line = line_to_skip(self._itinerary, self._trial)
        self._itinerary.skip(line.position)
        if self._itinerary.next_line() is not None:
            return []
        stage, at_s = self._enter(Happening.SKIPPED_LAST, self.now_s), self.now_s
        return [Occurrence(stage, Happening.SKIPPED_LAST, at_s, line)]

    def repeat(self, position: int) -> list[Occurrence]:
        """Call next for one more trial of this line's condition, in a line of its own.

        Raises:
            OperationRefusedError: If there is no such line.
        """
        line = line_asked_for(self._itinerary, position)
        self._itinerary.add_next(line.condition)
        return self._asked_again()

    def repeat_instead(
        self, result: TrialResult, reason: str
    ) -> tuple[TrialResult, list[Occurrence]]:
        """Set an ended trial aside, and call for its line next.

        Raises:
            OperationRefusedError: If its line is being measured, or it counts for nothing already.
        """
        line = line_asked_for(self._itinerary, result.planned.position)
        refuse_setting_aside(result, self._trial)
        self._itinerary.ask_again(line.position)
        return set_aside(result, reason), self._asked_again()

    def relabel(
        self, result: TrialResult, condition: str, reason: str
    ) -> tuple[TrialResult, list[Occurrence]]:
        """An ended trial was made under another condition: it goes to a line of that, its own is called for again.

        Raises:
            OperationRefusedError: If it still runs, counts for nothing, or the condition is its own or unknown.
        """
        refuse_relabelling(result, condition, self._itinerary, self._trial)
        line = self._itinerary.move_result(result, condition)
        return relabelled(result, line, reason), self._asked_again()

    def call_for_baseline(self) -> None:
        """Call for the baseline before anything else, where something is to come and it is not called for anyway."""
        line, baseline = self._itinerary.next_line(), self._itinerary.baseline
        if line is not None and baseline not in {None, line.condition}:
            self._itinerary.add_next(baseline)

    # ---- what can be asked of it

    @property
    def order(self) -> tuple[PlannedTrial, ...]:
        """Every line, also those added, in order of calling."""
        return self._itinerary.lines

    @property
    def skipped(self) -> frozenset[int]:
        """Positions of the lines that are left out."""
        return self._itinerary.skipped

    @property
    def paused(self) -> bool:
        """No further trial begins until told to go on."""
        return self._paused

    @property
    def is_paused_now(self) -> bool:
        """Paused, and no trial in hand any more; something is to come."""
        return self._paused and self.stage is Stage.WAITING

    @property
    def called_for(self) -> PlannedTrial | None:
        """The line of the order in hand or to come; None when all is done."""
        return self._trial.planned if self._trial else self._itinerary.next_line()

    @property
    def must_switch_off_first(self) -> bool:
        """The machine was found running, so nobody knows since when."""
        is_waiting = self.stage is Stage.WAITING and not self._paused
        return is_waiting and self._detector.state is Switch.ON

    @property
    def running_since_s(self) -> float | None:
        """When the machine was switched on, or first seen running [s]; None where nothing says that it runs."""
        return self._running.since_s

    @property
    def overdue_since_s(self) -> float | None:
        """Since when it has run longer than a trial may last, and nobody acknowledged it [s]; None where it has not."""
        return self._running.overdue_since_s(self.now_s)

    @property
    def done_count(self) -> int:
        """Lines of the order that need no repeat [1]."""
        return len(self._itinerary.done)

    def breaches(self) -> tuple[Breach, ...]:
        """Limits that are broken now, and the one that ended the trial in hand."""
        kept = self._trial.breach if self._trial else None
        return self._watches.breaches(kept)

    def trial(self) -> TrialView | None:
        """The trial in hand."""
        return self._trial.view() if self._trial else None

    def time_left_s(self) -> float | None:
        """How long until the trial in hand is likely to be averaged [s], or given up; None where nothing can be said."""
        judged = self._trial if self.stage in RUNNING else None
        left_s = judged.time_left_s(self.now_s) if judged else None
        return None if left_s is None else min(left_s, self.longest_left_s())

    def asking(self) -> Asking | None:
        """The reading that the operator is asked to type now; None where none is."""
        judged = self._trial if self.stage in RUNNING else None
        return judged.asking if judged else None

    def typed_readings(self, channel: str) -> tuple[TypedAt, ...]:
        """What was typed of a channel in the trial in hand and counts: none while the trial settles anew."""
        return self._trial.counting(channel, self.stage) if self._trial else ()

    def longest_left_s(self) -> float:
        """What is left of the longest time of the trial in hand [s]; 0 without a trial."""
        return self._trial.longest_left_s(self.now_s) if self._trial else 0.0

    def channel_progress(self, channel: str) -> ChannelProgress | None:
        """How far one required channel is; None outside a trial."""
        return self._trial.progress(channel) if self._trial else None

    def funnel(self, channel: str) -> FunnelPoint | None:
        """Newest point of how one required channel comes to settle; None outside a trial and during run-up."""
        return self._trial.funnel(channel) if self._trial else None

    def without_load(self) -> tuple[str, ...]:
        """Channels that should have risen above rest in the trial in hand, where none of them has."""
        judged = self._trial if self.stage in RUNNING else None
        return judged.load.idle() if judged else ()

    # ---- inside

    def _judge(
        self, at_s: float, values: Sequence[tuple[str, float]]
    ) -> list[Occurrence]:
        trial = self._trial
        if trial is None or self.stage not in RUNNING or at_s < trial.started_s:
            return []
        return [self._phase(trial, change) for change in trial.feed(at_s, values)]

    def _switching(self, at_s: float, value: float) -> list[Occurrence]:
        known = self._detector.state is not Switch.UNKNOWN
        switched = self._detector.feed(at_s, value)
        if self._trial is not None:
            self._trial.keep_reasons(is_seen_running=self._detector.sees_it_running)
        if switched is None:
            return []
        if switched.to is Switch.OFF:
            self._machine_off()
            trial = self._trial
            ended = [self._switched_off(trial, switched.at_s)] if trial else []
            self._idle.machine_off(switched.at_s, known_s=self.now_s)
            return ended
        self._idle.machine_on(switched.at_s)
        self._running.begins(switched.at_s)
        line = self._itinerary.next_line()
        may_begin = self.stage is Stage.WAITING and not self._paused
        if not known or line is None or not may_begin:
            return []
        return [self._switched_on(line, switched.at_s)]

    def _switched_on(self, line: PlannedTrial, at_s: float) -> Occurrence:
        self._itinerary.begin(line.position)
        self._running.begins(at_s)
        self._trial = TrialInHand.begun(
            self._rules,
            line,
            trial_id=self._new_trial_id(),
            attempt=self._itinerary.attempts(line.position) + 1,
            at_s=at_s,
        )
        self._watches.rearm()
        return self._move(Happening.SWITCHED_ON, at_s, self._trial)

    def _machine_off(self) -> None:
        self._running.ends()
        self._watches.machine_off()

    def _phase(self, trial: TrialInHand, change: PhaseChange) -> Occurrence:
        if change.phase is Phase.AVERAGING:
            return self._move(Happening.DECLARED, change.at_s, trial)
        if change.phase is Phase.CONFIRMED and trial.load.idle():
            return self._give_up(trial, HeldBackBy.NO_LOAD)
        if change.phase is Phase.CONFIRMED:
            trial.result = trial.result_so_far(
                TrialState.FINISHED,
                change.at_s,
                idle=self._idle.window,
                averages=trial.averages(self._idle.values()),
            )
            happening, result = Happening.CONFIRMED, trial.result
            return self._move(happening, change.at_s, trial, result=result)
        if self.stage is Stage.RUNNING_UP:
            trial.run_up_end_s = change.at_s
            return self._move(Happening.RUN_UP_OVER, change.at_s, trial)
        told = self._move(Happening.WITHDRAWN, change.at_s, trial)
        return replace(told, reason=change.reason, channels=change.channels)

    def _limits(
        self, channel: str, at_s: float, value: float | None
    ) -> list[Occurrence]:
        trial, occurrences = self._trial, list[Occurrence]()
        asked_off_s = self.stage_since_s if self.stage in OVER else None
        known = self._known_on.span(at_s, asked_off_s=asked_off_s)
        for breach in self._watches.feed(channel, at_s, value, known=known):
            if trial is not None and self.stage is not Stage.LIMIT:
                occurrences.append(self._limit_broken(trial, breach))
                continue
            # It moves nothing, and is told all the same.
            told = Occurrence(self.stage, None, at_s, None, breach=breach)
            occurrences.append(trial.of_it(told) if trial else told)
        return occurrences

    def _limit_broken(self, trial: TrialInHand, breach: Breach) -> Occurrence:
        result = trial.broken_by(breach, idle=self._idle.window)
        happening = Happening.LIMIT_BROKEN
        return self._move(happening, breach.at_s, trial, result=result, breach=breach)

    def _give_up(
        self, trial: TrialInHand, reason: HeldBackBy | None = None
    ) -> Occurrence:
        trial.result = trial.result_so_far(
            trial.note_why_given_up(), self.now_s, idle=self._idle.window
        )
        return self._move(
            Happening.TIME_UP, self.now_s, trial, result=trial.result, reason=reason
        )

    def _switched_off(self, trial: TrialInHand, at_s: float) -> Occurrence:
        if trial.result is None:
            trial.note_why_unfinished()
        result = trial.result_so_far(
            trial.result.state if trial.result else TrialState.UNFINISHED,
            max(at_s, trial.started_s),
            idle=self._idle.window,
        )
        self._itinerary.end(result)
        self._trial = None
        more = self._itinerary.next_line() is not None
        happening = Happening.OFF_MORE_TO_COME if more else Happening.OFF_LAST
        return self._move(happening, at_s, trial, result=result)

    def _move(
        self,
        happening: Happening,
        at_s: float,
        trial: TrialInHand,
        *,
        result: TrialResult | None = None,
        breach: Breach | None = None,
        reason: HeldBackBy | None = None,
    ) -> Occurrence:
        return Occurrence(
            stage=self._enter(happening, at_s),
            happening=happening,
            at_s=at_s,
            planned=trial.planned,
            attempt=trial.attempt,
            trial_id=trial.trial_id,
            result=result,
            breach=breach,
            reason=reason,
            typed=trial.typed_and_counting(),
        )

    def _asked_again(self) -> list[Occurrence]:
        """There is something to do again, where there was nothing."""
        line = self._itinerary.next_line()
        if self.stage is not Stage.FINISHED or line is None:
            return []
        happening, at_s = Happening.ASKED_AGAIN, self.now_s
        attempt = self._itinerary.attempts(line.position) + 1
        stage = self._enter(happening, at_s)
        return [Occurrence(stage, happening, at_s, line, attempt=attempt)]

    def _enter(self, happening: Happening, at_s: float) -> Stage:
        self.stage = TRANSITIONS[self.stage, happening]
        self.stage_since_s = at_s
        return self.stage
