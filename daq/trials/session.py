"""The session: from "fit this" through switch-on, settling and averaging to switch-off, and on to the next.

Moved by readings and time alone, along the table of stages.py; what the table does not know in a stage is a fault of
this program and raises.
"""

import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from daq.records import (
    Channel,
    PlannedTrial,
    Reading,
    TrialAverage,
    TrialResult,
    TrialState,
    Window,
)
from daq.settling.group import SettlingGroup
from daq.settling.phases import ChannelProgress, Phase, PhaseChange
from daq.settling.verdicts import HeldBackBy
from daq.trials.idle import IdleReadings
from daq.trials.judging import (
    CAN_BE_AVERAGED,
    LoadWatch,
    reading_order,
    reasons_against,
    settled_averages,
    settling_group,
)
from daq.trials.judging import SessionRules as SessionRules  # handed on
from daq.trials.limits import Breach, LimitWatch
from daq.trials.stages import RUNNING, TRANSITIONS, Happening, Stage
from daq.trials.switching import Switch, SwitchDetector


@dataclass(frozen=True, slots=True)
class Occurrence:
    """Something that happened, for the store, the screens and the log.

    Attributes:
        stage: After it.
        happening: What moved the session; None where only the trial's record changed.
        at_s: When [s].
        planned: The line of the order concerned.
        attempt: [1] of that line.
        trial_id: UUID of the running trial; empty where there is none.
        result: The trial as it ended or was confirmed.
        breach: The limit that was broken.
        reason: Why a declaration was withdrawn, or a trial given up before its time.
    """

    stage: Stage
    happening: Happening | None
    at_s: float
    planned: PlannedTrial | None
    attempt: int = 1
    trial_id: str = ""
    result: TrialResult | None = None
    breach: Breach | None = None
    reason: HeldBackBy | None = None


@dataclass(slots=True)
class _Trial:
    """The trial in hand."""

    trial_id: str
    planned: PlannedTrial
    attempt: int
    started_s: float
    group: SettlingGroup
    load: LoadWatch
    run_up_end_s: float | None = None
    result: TrialResult | None = None
    breach: Breach | None = None
    acknowledged: bool = False
    notes: list[str] = field(default_factory=list)
    was_seen_running: bool = False
    reasons: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class TrialView:
    """What a screen shows of the trial in hand."""

    trial_id: str
    planned: PlannedTrial
    started_s: float
    run_up_end_s: float | None
    window: Window | None
    confirmed: bool
    averaging_s: float


@dataclass(slots=True)
class _Progress:
    """Which lines of the order are done, and how often each was tried."""

    order: tuple[PlannedTrial, ...]
    done: set[int] = field(default_factory=set)
    attempts: dict[int, int] = field(default_factory=dict)

    def next_line(self) -> PlannedTrial | None:
        return next(
            (line for line in self.order if line.position not in self.done), None
        )


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
        new_trial_id: Callable[[], str] = _new_trial_id,
    ) -> None:
        """Begin or resume.

        Args:
            rules: Of plan and bench.
            order: Every trial of the session.
            earlier: Trials that ended before an interruption; those that need no repeat count as done.
            new_trial_id: Gives each trial its UUID.
        """
        self.stage = Stage.WAITING
        self.now_s = float("-inf")
        self.stage_since_s: float | None = None
        self._rules = rules
        self._new_trial_id = new_trial_id
        self._progress = _Progress(tuple(order))
        for result in earlier:
            self._count(result)
        if self._progress.next_line() is None:
            self.stage = Stage.FINISHED
        self._detector = SwitchDetector(rules.start)
        self._watches = [LimitWatch(limit) for limit in rules.limits]
        self._by_instrument: dict[str, list[Channel]] = {}
        for channel in reading_order(rules):
            self._by_instrument.setdefault(channel.instrument, []).append(channel)
        self._trial: _Trial | None = None
        self._idle = IdleReadings(rules.channels)

    # ---- what happens to it

    def feed(self, reading: Reading) -> list[Occurrence]:
        """Take one reading, in order of arrival; returns what it brought about."""
        occurrences = self.tick(reading.at_s)
        values = [
            (channel.name, value)
            for channel in self._by_instrument.get(reading.instrument, ())
            if (value := reading.values[channel.field_index]) is not None
        ]
        for channel, value in values:
            if channel == self._rules.start.channel:
                occurrences += self._switching(reading.at_s, value)
        for channel, value in values:
            occurrences += self._limits(channel, reading.at_s, value)
            self._idle.feed(channel, reading.at_s, value)
        # Last and whole, or not at all: re-analysis must know which readings were judged.
        return occurrences + self._judge(reading.at_s, values)

    def operator_switched(self, now_s: float) -> list[Occurrence]:
        """Take the operator's word that the machine was just switched: off if a trial runs, else on [s].

        While the start channel itself says that the machine runs, the word is not taken: a key is hit by mistake
        more easily than a current flows by mistake.
        """
        occurrences = self.tick(now_s)
        trial, line = self._trial, self._progress.next_line()
        if trial is not None and not self._detector.sees_it_running:
            self._detector.told(Switch.OFF, self.now_s)
            ended = self._switched_off(trial, self.now_s)
            self._idle.forget()
            return [*occurrences, ended]
        if trial is not None or line is None:
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
        trial = self._trial
        if trial is None or self.stage not in RUNNING:
            return []
        if self.now_s - trial.started_s < self._rules.longest_s:
            return []
        return [self._give_up(trial)]

    def acknowledge(self) -> None:
        """Take the operator's word that the machine may run on."""
        if self._trial is not None:
            self._trial.acknowledged = True

    # ---- what can be asked of it

    @property
    def called_for(self) -> PlannedTrial | None:
        """The line of the order in hand or to come; None when all is done."""
        return self._trial.planned if self._trial else self._progress.next_line()

    @property
    def must_switch_off_first(self) -> bool:
        """The machine was found running, so nobody knows since when."""
        return self.stage is Stage.WAITING and self._detector.state is Switch.ON

    @property
    def overdue(self) -> bool:
        """The machine still runs although its trial's longest time has passed, and nobody acknowledged it."""
        trial = self._trial
        if trial is None or trial.acknowledged:
            return False
        return self.now_s - trial.started_s >= self._rules.longest_s

    @property
    def done_count(self) -> int:
        """Lines of the order that need no repeat [1]."""
        return len(self._progress.done)

    def breaches(self) -> tuple[Breach, ...]:
        """Limits that are broken now, and the one that ended the trial in hand."""
        now = [watch.breach for watch in self._watches if watch.breach]
        kept = self._trial.breach if self._trial else None
        if kept is not None and all(breach.limit != kept.limit for breach in now):
            now.append(kept)
        return tuple(now)

    def trial(self) -> TrialView | None:
        """The trial in hand."""
        trial = self._trial
        if trial is None:
            return None
        group = trial.group
        return TrialView(
            trial_id=trial.trial_id,
            planned=trial.planned,
            started_s=trial.started_s,
            run_up_end_s=trial.run_up_end_s,
            window=group.window,
            confirmed=group.phase is Phase.CONFIRMED,
            averaging_s=group.averaging_s(),
        )

    def time_left_s(self) -> float | None:
        """How long until the trial in hand is likely to be averaged [s], or given up; None where nothing can be said."""
        if self._trial is None or self.stage not in RUNNING:
            return None
        left_s = self._trial.group.time_left_s()
        return None if left_s is None else min(left_s, self.longest_left_s())

    def longest_left_s(self) -> float:
        """What is left of the longest time of the trial in hand [s]; 0 without a trial."""
        if self._trial is None:
            return 0.0
        elapsed_s = self.now_s - self._trial.started_s
        return max(self._rules.longest_s - elapsed_s, 0.0)

    def channel_progress(self, channel: str) -> ChannelProgress | None:
        """How far one required channel is; None outside a trial."""
        if self._trial is None:
            return None
        if channel in self._trial.load.idle():
            return ChannelProgress(HeldBackBy.NO_LOAD, None, None)
        return self._trial.group.progress(channel)

    def without_load(self) -> tuple[str, ...]:
        """Channels that should have risen above rest in the trial in hand, where none of them has."""
        trial = self._trial
        is_judged = trial is not None and self.stage in RUNNING
        return trial.load.idle() if trial is not None and is_judged else ()

    # ---- inside

    def _judge(
        self, at_s: float, values: Sequence[tuple[str, float]]
    ) -> list[Occurrence]:
        trial = self._trial
        if trial is None or self.stage not in RUNNING or at_s < trial.started_s:
            return []
        for channel, value in values:
            trial.load.feed(channel, value)
        return [
            self._phase(trial, change)
            for channel, value in values
            for change in trial.group.feed(channel, at_s, value)
        ]

    def _switching(self, at_s: float, value: float) -> list[Occurrence]:
        known = self._detector.state is not Switch.UNKNOWN
        switched = self._detector.feed(at_s, value)
        self._keep_reasons()
        if switched is None:
            return []
        if switched.to is Switch.OFF:
            trial = self._trial
            ended = [self._switched_off(trial, switched.at_s)] if trial else []
            self._idle.machine_off(switched.at_s, known_s=self.now_s)
            return ended
        self._idle.machine_on(switched.at_s)
        line = self._progress.next_line()
        if not known or line is None or self.stage is not Stage.WAITING:
            return []
        return [self._switched_on(line, switched.at_s)]

    def _keep_reasons(self) -> None:
        """Ask why the trial has not settled before the rule is given what a stopped machine reads."""
        trial = self._trial
        if trial is None or trial.result is not None:
            return
        if self._detector.sees_it_running:
            trial.was_seen_running, trial.reasons = True, None
        elif trial.was_seen_running and trial.reasons is None:
            trial.reasons = self._reasons(trial)

    def _switched_on(self, line: PlannedTrial, at_s: float) -> Occurrence:
        group = settling_group(self._rules, at_s)
        attempt = self._progress.attempts.get(line.position, 0) + 1
        self._trial = _Trial(
            self._new_trial_id(), line, attempt, at_s, group, LoadWatch(self._rules)
        )
        for watch in self._watches:
            watch.rearm()
        return self._move(Happening.SWITCHED_ON, at_s, self._trial)

    def _phase(self, trial: _Trial, change: PhaseChange) -> Occurrence:
        if change.phase is Phase.AVERAGING:
            return self._move(Happening.DECLARED, change.at_s, trial)
        if change.phase is Phase.CONFIRMED and trial.load.idle():
            return self._give_up(trial, HeldBackBy.NO_LOAD)
        if change.phase is Phase.CONFIRMED:
            trial.result = self._confirmed_result(trial, change.at_s)
            return self._move(
                Happening.CONFIRMED, change.at_s, trial, result=trial.result
            )
        if self.stage is Stage.RUNNING_UP:
            trial.run_up_end_s = change.at_s
            return self._move(Happening.RUN_UP_OVER, change.at_s, trial)
        return self._move(Happening.WITHDRAWN, change.at_s, trial, reason=change.reason)

    def _confirmed_result(self, trial: _Trial, at_s: float) -> TrialResult:
        judgement = settled_averages(trial.group, self._rules, idle=self._idle.values())
        trial.notes += judgement.notes
        return self._result(
            trial, TrialState.FINISHED, at_s, averages=judgement.averages
        )

    def _result(
        self,
        trial: _Trial,
        state: TrialState,
        ended_s: float,
        *,
        averages: tuple[TrialAverage, ...] | None = None,
    ) -> TrialResult:
        """The trial's result so far."""
        if averages is None:
            averages = trial.result.averages if trial.result else ()
        return TrialResult(
            trial_id=trial.trial_id,
            planned=trial.planned,
            attempt=trial.attempt,
            state=state,
            started_s=trial.started_s,
            ended_s=ended_s,
            averages=averages,
            note="; ".join(trial.notes),
            idle=self._idle.window,
        )

    def _known_on_s(self, now_s: float) -> float | None:
        """When the machine was last known to be on [s]; None where no trial runs."""
        return self._detector.known_on_s(now_s) if self._trial else None

    def _limits(self, channel: str, at_s: float, value: float) -> list[Occurrence]:
        trial = self._trial
        occurrences: list[Occurrence] = []
        for watch in self._watches:
            if watch.limit.channel != channel:
                continue
            breach = watch.feed(at_s, value, known_on_s=self._known_on_s(at_s))
            if breach is None:
                continue
            if trial is not None and self.stage is not Stage.LIMIT:
                occurrences.append(self._limit_broken(trial, breach))
                continue
            # It moves nothing, and is told all the same.
            told = Occurrence(self.stage, None, at_s, None, breach=breach)
            if trial is not None:
                told = replace(
                    told,
                    planned=trial.planned,
                    attempt=trial.attempt,
                    trial_id=trial.trial_id,
                )
            occurrences.append(told)
        return occurrences

    def _limit_broken(self, trial: _Trial, breach: Breach) -> Occurrence:
        trial.breach = breach
        trial.notes.append(
            f"{breach.limit.channel} broke its limit: {breach.limit.reason}"
        )
        trial.result = self._result(trial, TrialState.LIMIT_BROKEN, breach.at_s)
        return self._move(
            Happening.LIMIT_BROKEN,
            breach.at_s,
            trial,
            result=trial.result,
            breach=breach,
        )

    def _reasons(self, trial: _Trial) -> tuple[str, ...]:
        return reasons_against(trial.group, self._rules, idle=trial.load.idle())

    def _give_up(self, trial: _Trial, reason: HeldBackBy | None = None) -> Occurrence:
        """Say of each required channel why; ask again where only a meter, or the machine itself, was missing."""
        trial.notes += self._reasons(trial)
        meter_was_missing = any(
            trial.group.why_not(name) is HeldBackBy.GAPS
            for name in self._rules.required
        )
        is_no_trial = meter_was_missing or bool(trial.load.idle())
        state = TrialState.UNFINISHED if is_no_trial else TrialState.NOT_SETTLED
        if not is_no_trial:
            self._offer(trial)
        trial.result = self._result(trial, state, self.now_s)
        return self._move(
            Happening.TIME_UP, self.now_s, trial, result=trial.result, reason=reason
        )

    def _offer(self, trial: _Trial) -> None:
        """Write down that a trial without averages can have some, where there is anything to average."""
        if trial.group.phase is not Phase.RUN_UP and not trial.load.idle():
            trial.notes.append(CAN_BE_AVERAGED)

    def _switched_off(self, trial: _Trial, at_s: float) -> Occurrence:
        state = trial.result.state if trial.result else TrialState.UNFINISHED
        if trial.result is None:
            trial.notes += trial.reasons or self._reasons(trial)
            self._offer(trial)
        result = self._result(trial, state, max(at_s, trial.started_s))
        self._count(result)
        self._trial = None
        more = self._progress.next_line() is not None
        happening = Happening.OFF_MORE_TO_COME if more else Happening.OFF_LAST
        return self._move(happening, at_s, trial, result=result)

    def _count(self, result: TrialResult) -> None:
        position = result.planned.position
        self._progress.attempts[position] = self._progress.attempts.get(position, 0) + 1
        if result.state is not TrialState.UNFINISHED:
            self._progress.done.add(position)

    def _move(
        self,
        happening: Happening,
        at_s: float,
        trial: _Trial,
        *,
        result: TrialResult | None = None,
        breach: Breach | None = None,
        reason: HeldBackBy | None = None,
    ) -> Occurrence:
        self.stage = TRANSITIONS[self.stage, happening]
        self.stage_since_s = at_s
        return Occurrence(
            stage=self.stage,
            happening=happening,
            at_s=at_s,
            planned=trial.planned,
            attempt=trial.attempt,
            trial_id=trial.trial_id,
            result=result,
            breach=breach,
            reason=reason,
        )
