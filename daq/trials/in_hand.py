"""The trial in hand: how far the settling rule is with it, what is noted of it, what its result is so far.

Knows no stage and no table; the session says what a change of the rule means.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Self

from daq.records import PlannedTrial, TrialAverage, TrialResult, TrialState, Window
from daq.settling.group import SettlingGroup
from daq.settling.phases import ChannelProgress, FunnelPoint, Phase, PhaseChange
from daq.settling.verdicts import HeldBackBy
from daq.trials.judging import (
    CAN_BE_AVERAGED,
    LoadWatch,
    SessionRules,
    reasons_against,
    settled_averages,
    settling_group,
)
from daq.trials.limits import Breach, broke_its_limit
from daq.trials.stages import RUNNING, Occurrence, Stage
from daq.typed import (
    LEAST_READINGS,
    Asking,
    Askings,
    TakenBack,
    TypedAt,
    TypedReadings,
)


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
    lacking: tuple[str, ...] = ()
    """Which typed channels have too few readings for an average, once the others have theirs."""
    missed: Asking | None = None
    """The reading that was not typed in time, until one is asked for again."""
    note: str = ""
    """What is noted of it so far."""


@dataclass(slots=True)
class TrialInHand:
    """A trial from switch-on to switch-off."""

    trial_id: str
    planned: PlannedTrial
    attempt: int
    started_s: float
    rules: SessionRules
    group: SettlingGroup
    load: LoadWatch
    typed: TypedReadings
    askings: Askings
    run_up_end_s: float | None = None
    result: TrialResult | None = None
    breach: Breach | None = None
    notes: list[str] = field(default_factory=list)
    was_seen_running: bool = False
    kept_reasons: tuple[str, ...] | None = None
    notes_of_averages: tuple[str, ...] = ()

    @classmethod
    def begun(
        cls,
        rules: SessionRules,
        line: PlannedTrial,
        *,
        trial_id: str,
        attempt: int,
        at_s: float,
    ) -> Self:
        """The machine was switched on [s]."""
        typed = TypedReadings(rules.typed)
        return cls(
            trial_id=trial_id,
            planned=line,
            attempt=attempt,
            started_s=at_s,
            rules=rules,
            group=settling_group(rules, at_s, typed),
            load=LoadWatch(rules),
            typed=typed,
            askings=Askings(rules.typed, seed=trial_id),
        )

    def feed(
        self, at_s: float, values: Sequence[tuple[str, float]]
    ) -> Iterator[PhaseChange]:
        """Take one reading's values; hands over each change of the rule before it is fed further."""
        for channel, value in values:
            self.load.feed(channel, value)
        for channel, value in values:
            if channel in self.typed:
                self.typed.take(channel, at_s, value)
                self.askings.put_off(at_s)
                continue
            for change in self.group.feed(channel, at_s, value):
                self._ask_while_averaging(change, at_s)
                yield change

    def tick(self, now_s: float) -> Asking | None:
        """Let time pass [s]: it decides when the operator is asked for readings, and nothing else.

        Returns:
            A reading that was not typed in time, once.
        """
        return self.askings.tick(now_s, self.typed.counts(self.group.window))

    def of_it(self, occurrence: Occurrence) -> Occurrence:
        """Something that moves nothing, told of this trial."""
        return replace(
            occurrence,
            planned=self.planned,
            attempt=self.attempt,
            trial_id=self.trial_id,
        )

    def told_of_missed(self, missed: Asking, stage: Stage, now_s: float) -> Occurrence:
        """A reading was not typed in time."""
        title = next(c.title for c in self.rules.channels if c.name == missed.channel)
        return self.of_it(Occurrence(stage, None, now_s, None, missed=title))

    @property
    def asking(self) -> Asking | None:
        """What the operator is asked for now."""
        return self.askings.open

    def time_left_s(self, now_s: float) -> float | None:
        """How long until it is likely to be averaged [s]; None where nothing can be said."""
        left_s = self.group.time_left_s()
        if left_s is None or self.group.phase is not Phase.AVERAGING:
            return left_s
        counts = self.typed.counts(self.group.window)
        return max(left_s, self.askings.time_left_s(now_s, counts))

    def keep_reasons(self, *, is_seen_running: bool) -> None:
        """Ask why it has not settled before the rule is given what a stopped machine reads."""
        if self.result is not None:
            return
        if is_seen_running:
            self.was_seen_running, self.kept_reasons = True, None
        elif self.was_seen_running and self.kept_reasons is None:
            self.kept_reasons = self.reasons()

    def _lacking(self) -> tuple[str, ...]:
        window = self.group.window
        if self.result is None or window is None:
            return ()
        averaged = {average.channel for average in self.result.averages}
        return tuple(
            f"{self.typed.count(channel.name, window)} of {LEAST_READINGS} readings of {channel.title}"
            for channel in self.rules.channels
            if channel.name in self.typed and channel.name not in averaged
        )

    def reasons(self) -> tuple[str, ...]:
        """Which required channels are not settled, and why."""
        return reasons_against(self.group, self.rules, idle=self.load.idle())

    def broken_by(self, breach: Breach, *, idle: Window | None) -> TrialResult:
        """Mark it with the limit that ended it; returns it as it stands now."""
        self.breach = breach
        self.notes.append(f"{broke_its_limit(breach)}: {breach.limit.reason}")
        self.result = self.result_so_far(
            TrialState.LIMIT_BROKEN, breach.at_s, idle=idle
        )
        return self.result

    def note_why_given_up(self) -> TrialState:
        """Say of each required channel why; ask again where only a meter, or the machine itself, was missing."""
        self.notes += self.reasons()
        meter_was_missing = any(
            self.group.why_not(name) is HeldBackBy.GAPS for name in self.rules.required
        )
        if meter_was_missing or self.load.idle():
            return TrialState.UNFINISHED
        self._offer()
        return TrialState.NOT_SETTLED

    def note_why_unfinished(self) -> None:
        """Say why it has no averages although it was switched off."""
        self.notes += self.kept_reasons or self.reasons()
        self._offer()

    def averages(self, idle: Mapping[str, Sequence[float]]) -> tuple[TrialAverage, ...]:
        """What the confirmed levels come to; what has to be said of them is noted, instead of what was said before."""
        judgement = settled_averages(
            self.group, self.rules, idle=idle, typed=self.typed
        )
        others = [note for note in self.notes if note not in self.notes_of_averages]
        self.notes_of_averages = judgement.notes
        self.notes = [*others, *judgement.notes]
        return judgement.averages

    def counting(self, channel: str, stage: Stage) -> tuple[TypedAt, ...]:
        """What was typed of a channel and counts at this stage of the session."""
        readings, window = self.typed.readings(channel), self.group.window
        is_confirmed = self.group.phase is Phase.CONFIRMED
        # A trial that was given up can be averaged even so, over another stretch.
        if stage not in RUNNING and not is_confirmed:
            return readings
        if window is None:
            return ()
        # The window's end follows the readings until it is confirmed.
        end_s = window.end_s if is_confirmed else math.inf
        return tuple(r for r in readings if window.start_s <= r.at_s <= end_s)

    def typed_and_counting(self) -> tuple[int, int]:
        """Readings that were typed so far, and those of them that lie in the window [1]; none without a window."""
        typed = sum(len(self.typed.readings(name)) for name in self.rules.typed)
        return typed, sum(self.typed.counts(self.group.window).values())

    def take_back(
        self, taken: TakenBack, idle: Mapping[str, Sequence[float]]
    ) -> TrialResult | None:
        """Let a typed reading count no more; returns the trial as it stands now where it was averaged already."""
        self.typed.take_back(taken)
        self.askings.recount(self.typed.counts(self.group.window))
        if self.result is None or not self.result.averages:
            return None
        averages = self.averages(idle)
        note = "; ".join(self.notes)
        self.result = replace(self.result, averages=averages, note=note)
        return self.result

    def result_so_far(
        self,
        state: TrialState,
        ended_s: float,
        *,
        idle: Window | None,
        averages: tuple[TrialAverage, ...] | None = None,
    ) -> TrialResult:
        """The trial as it stands; with the averages it has where none are given."""
        if averages is None:
            averages = self.result.averages if self.result else ()
        return TrialResult(
            trial_id=self.trial_id,
            planned=self.planned,
            attempt=self.attempt,
            state=state,
            started_s=self.started_s,
            ended_s=ended_s,
            averages=averages,
            note="; ".join(self.notes),
            idle=idle,
        )

    def longest_left_s(self, now_s: float) -> float:
        """What is left of its longest time [s]."""
        return max(self.rules.longest_s - (now_s - self.started_s), 0.0)

    def progress(self, channel: str) -> ChannelProgress | None:
        """How far one required channel is."""
        if channel in self.load.idle():
            return ChannelProgress(HeldBackBy.NO_LOAD, None, None)
        return self.group.progress(channel)

    def funnel(self, channel: str) -> FunnelPoint | None:
        """How narrow the drift that is still possible has become for one required channel."""
        return self.group.funnel(channel)

    def view(self) -> TrialView:
        """What a screen shows of it."""
        return TrialView(
            trial_id=self.trial_id,
            planned=self.planned,
            started_s=self.started_s,
            run_up_end_s=self.run_up_end_s,
            window=self.group.window,
            confirmed=self.group.phase is Phase.CONFIRMED,
            averaging_s=self.group.averaging_s(),
            lacking=self._lacking(),
            missed=self.askings.missed,
            note="; ".join(self.notes),
        )

    def _ask_while_averaging(self, change: PhaseChange, at_s: float) -> None:
        if change.phase is Phase.AVERAGING:
            self.askings.begin(at_s, span_s=self.group.time_left_s() or 0.0)
        else:
            self.askings.stop()

    def _offer(self) -> None:
        """Write down that a trial without averages can have some, where there is anything to average."""
        if self.group.phase is not Phase.RUN_UP and not self.load.idle():
            self.notes.append(CAN_BE_AVERAGED)
