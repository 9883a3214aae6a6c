"""What the screens show of the session in hand: its stage, its order, its slip, what it alarms of.

Asks the session and knows no instrument: what keeps a meter from being read is the board's.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from daq.alarm_words import breach_text, overdue_text, switch_off_by_key_first
from daq.config.plan import Plan
from daq.records import Channel, PlannedTrial, TrialResult, TrialState
from daq.runtime.blind_spots import BlindSpot
from daq.runtime.owed_trials import OwedTrials
from daq.runtime.snapshot import (
    AlarmLine,
    AskingLine,
    AverageLine,
    ConditionLine,
    RepeatLine,
    SessionLine,
    SlipLine,
    StageLine,
    TrialLine,
    TypedLine,
)
from daq.settling.phases import FunnelPoint
from daq.trials.foreseeing import Foreseen, foreseen
from daq.trials.session import Session
from daq.trials.stages import Stage
from daq.typed import LEAST_READINGS, Asking
from daq.wording import (
    PAUSED_SENTENCE,
    Urgency,
    asking_instruction,
    decimals_of,
    decimals_of_uncertainty,
    finished_instruction,
    instruction,
    limit_at_rest_instruction,
    limit_instruction,
    overdue_instruction,
    paused_instruction,
    shown_seconds_left,
    stage_sentence,
    time_left,
)

PAUSED = "paused"
"""Name of the stage of a session that begins no trial for the time being."""


@dataclass(slots=True)
class SessionLines:
    """A session on the board.

    Attributes:
        results: Newest result of each line, by the line's position.
        trials: Numbers in the store of the trials that have ended, by their UUID.
        in_hand: Number in the store of the trial in hand.
        found_running_s: When it began with a machine that was left running, or may run [s].
        owed: Trials that can be carried out once more.
    """

    plan: Plan
    session: Session
    number: int
    results: dict[int, TrialResult] = field(default_factory=dict)
    trials: dict[str, int] = field(default_factory=dict)
    in_hand: int = 0
    found_running_s: float | None = None
    owed: OwedTrials = field(init=False)
    _funnel: dict[str, list[FunnelPoint]] = field(default_factory=dict)
    _foreseen: Foreseen | None = None
    _shown_left_s: float | None = None

    def __post_init__(self) -> None:
        self.owed = OwedTrials(self.plan, self.session, self.results)

    # ---- what it is told

    def take_results(self, results: Iterable[TrialResult]) -> None:
        """Keep the newest of each line."""
        for result in results:
            self.results[result.planned.position] = result
            self.owed.newest = result.trial_id

    def trial_began(self, number: int) -> None:
        """What was known of how the trial before settled is of no use to this one."""
        self.in_hand = number
        self._funnel = {}

    def moved(self, before: TrialResult, result: TrialResult) -> None:
        """A trial counts for another line now, or no longer."""
        position = before.planned.position
        kept = self.results.get(position)
        if kept is not None and kept.trial_id == before.trial_id:
            del self.results[position]
        there = self.results.get(result.planned.position)
        counts = result.state is not TrialState.UNFINISHED
        if there is None or counts or there.trial_id == result.trial_id:
            self.results[result.planned.position] = result

    # ---- what it answers

    def session_line(self) -> SessionLine:
        """How far the session is."""
        session = self.session
        state = "finished" if session.stage is Stage.FINISHED else "running"
        if session.is_paused_now:
            state = PAUSED
        return SessionLine(
            self.number,
            state,
            done=session.done_count,
            total=len(session.order),
            skipped=len(session.skipped),
        )

    def instruction(
        self,
        *,
        hindrance: str | None,
        left_s: float | None,
        blind: Sequence[BlindSpot] = (),
    ) -> tuple[str, Urgency]:
        """What the operator is asked to do, and how urgent that is; nobody is told to keep it running where an alarm says otherwise."""
        is_danger = any(spot.is_danger for spot in blind)
        words, urgency = self._call(hindrance, left_s, is_danger=is_danger)
        if not blind:
            return words, urgency
        if urgency is Urgency.WAIT:
            words, urgency = blind[0].words, Urgency.ACTION
        return words, Urgency.DANGER if is_danger else urgency

    def _call(
        self, hindrance: str | None, left_s: float | None, *, is_danger: bool
    ) -> tuple[str, Urgency]:
        """What is called for; not a reading, where something is in danger."""
        session, planned = self.session, self.session.called_for
        if (call := self._limit_call() or self._call_without_trial()) is not None:
            return call
        is_overdue = session.overdue_since_s is not None
        asking = self.asking_line()
        is_calm = hindrance is None and not (is_overdue or is_danger)
        if asking is not None and is_calm:
            return asking_instruction(asking.title, asking.place)
        words, urgency = self.owed.call(by_key=self.by_key) or instruction(
            session.stage,
            self.plan.instructions[planned.condition] if planned else "",
            by_key=self.by_key,
            switch_off_first=session.must_switch_off_first or self._is_left_on,
            seconds_left=left_s,
            # Whatever is missing: first it is switched off, also in a pause.
            hindrance=None if self._is_left_on else hindrance,
        )
        return words, Urgency.DANGER if is_overdue else urgency

    def _call_without_trial(self) -> tuple[str, Urgency] | None:
        """What is said of a machine that has run too long or was left running, of the end and of a pause; None where none is."""
        session = self.session
        is_overdue = session.overdue_since_s is not None
        if session.stage is Stage.FINISHED and not is_overdue:
            without = sum(
                r.state not in {TrialState.FINISHED, TrialState.SET_ASIDE}
                for r in self.results.values()
            )
            return self.owed.call(by_key=self.by_key) or finished_instruction(
                len(session.order), without, skipped=len(session.skipped)
            )
        if session.trial() is not None:
            return None
        if is_overdue:
            return overdue_instruction()
        if self._is_left_on and self.by_key:
            return switch_off_by_key_first(), Urgency.ACTION
        is_paused = session.is_paused_now and not self._is_left_on
        return paused_instruction() if is_paused else None

    @property
    def _is_left_on(self) -> bool:
        """The machine with which it began has not been switched off since, as far as anybody knows."""
        found_s = self.found_running_s
        return found_s is not None and found_s == self.session.running_since_s

    @property
    def by_key(self) -> bool:
        """Whether the operator has to say that the machine was switched."""
        return self.plan.rules.start.channel is None

    def stage_line(self, *, left_s: float | None) -> StageLine:
        """The stage, what ends it, and how far it is."""
        session = self.session
        usual = stage_sentence(
            session.stage,
            by_key=self.by_key,
            switch_off_first=session.must_switch_off_first,
        )
        sentence = self.owed.sentence(usual)
        is_paused = session.is_paused_now
        return StageLine(
            name=PAUSED if is_paused else session.stage.value,
            since_s=session.stage_since_s,
            progress=self._progress(),
            seconds_left=left_s,
            time_left="" if left_s is None else time_left(left_s),
            sentence=PAUSED_SENTENCE if is_paused else sentence,
        )

    def asking_line(self) -> AskingLine | None:
        """The reading that is wanted from the operator."""
        asking = self.session.asking()
        return None if asking is None else self._asking_line(asking)

    def missed_line(self) -> AskingLine | None:
        """The reading that was not typed in time, until one is asked for again."""
        trial = self.session.trial()
        missed = trial.missed if trial else None
        return None if missed is None else self._asking_line(missed)

    def _asking_line(self, asking: Asking) -> AskingLine:
        rules = self.plan.rules
        channel = next(c for c in rules.channels if c.name == asking.channel)
        return AskingLine(
            channel=channel.name,
            title=channel.title,
            unit=channel.unit,
            place=channel.place,
            decimals=decimals_of(channel.accuracy.resolution),
            number=asking.number,
            least=LEAST_READINGS,
            since_s=asking.since_s,
            until_s=asking.until_s,
        )

    def repeat_offer(self) -> RepeatLine | None:
        """The trial that may be carried out once more."""
        return self.owed.offer()

    def typed_lines(self) -> tuple[TypedLine, ...]:
        """What was typed in the trial in hand, oldest first."""
        rules = self.plan.rules
        lines = [
            TypedLine(
                channel=channel.name,
                title=channel.title,
                unit=channel.unit,
                decimals=decimals_of(channel.accuracy.resolution),
                value=reading.value,
                at_s=reading.at_s,
            )
            for channel in rules.channels
            if channel.name in rules.typed
            for reading in self.session.typed_readings(channel.name)
        ]
        return tuple(sorted(lines, key=lambda line: line.at_s))

    def condition_line(self) -> ConditionLine | None:
        """The condition in hand or called for."""
        planned = self.session.called_for
        if planned is None:
            return None
        return ConditionLine(planned.condition, planned.repeat, planned.position)

    def trial_line(self) -> TrialLine | None:
        """The trial in hand."""
        trial = self.session.trial()
        if trial is None:
            return None
        window = (trial.window.start_s, trial.window.end_s) if trial.window else None
        return TrialLine(
            self.in_hand, trial.started_s, trial.run_up_end_s, window, trial.confirmed
        )

    def slip(self) -> tuple[SlipLine, ...]:
        """Every line of the order, as they are called for."""
        return tuple(self._slip_line(line) for line in self.session.order)

    def seconds_left(self, *, is_hindered: bool) -> float | None:
        """How much longer, in round figures; nothing while it cannot go on."""
        left_s = None if is_hindered else self.session.time_left_s()
        if left_s is None:
            self._foreseen = self._shown_left_s = None
            return None
        now_s = self.session.now_s
        self._foreseen = foreseen(left_s, now_s, before=self._foreseen)
        self._shown_left_s = shown_seconds_left(
            self._foreseen.left_s,
            shown_s=self._shown_left_s,
            at_most_s=self.session.longest_left_s(),
        )
        return self._shown_left_s

    def alarms(self, channels: Mapping[str, Channel]) -> list[AlarmLine]:
        """Limits that are broken, and a machine that runs on."""
        alarms = [
            AlarmLine(
                breach_text(breach, channels[breach.limit.channel]), breach.since_s
            )
            for breach in self.session.breaches()
        ]
        overdue_since_s = self.session.overdue_since_s
        if overdue_since_s is not None:
            longest_s = self.plan.rules.longest_s
            alarms.append(
                AlarmLine(
                    overdue_text(longest_s, is_stated=self.plan.states_longest),
                    overdue_since_s,
                )
            )
        return alarms

    def funnel_news(self) -> list[FunnelPoint]:
        """Points of the required channels that have come since this was last asked."""
        news = []
        for channel in self.plan.rules.required:
            point, known = self.session.funnel(channel), self._funnel.get(channel)
            if point is None or (known and known[-1].at_s >= point.at_s):
                continue
            self._funnel.setdefault(channel, []).append(point)
            news.append(point)
        return news

    def funnel(self) -> Iterator[tuple[str, dict[str, object]]]:
        """All points of the trial in hand, channel by channel."""
        for channel, points in self._funnel.items():
            yield (
                channel,
                {
                    "tolerance": points[-1].tolerance,
                    "t": [round(point.at_s, 3) for point in points],
                    "mean": [point.mean for point in points],
                    "bound": [point.bound for point in points],
                },
            )

    # ---- inside

    def _limit_call(self) -> tuple[str, Urgency] | None:
        """What is said of a broken limit; None where none is, or where nothing is called for and nothing runs."""
        session = self.session
        if not session.breaches():
            return None
        if session.running_since_s is not None:
            return limit_instruction(by_key=self.by_key)
        return limit_at_rest_instruction() if session.stage is Stage.WAITING else None

    def _progress(self) -> float | None:
        """Share of the averaging that is over, by how long it is likely to take."""
        trial = self.session.trial()
        if trial is None or self.session.stage is not Stage.AVERAGING:
            return None
        left_s = self._foreseen.left_s if self._foreseen else self.session.time_left_s()
        whole_s = trial.averaging_s + (left_s or 0.0)
        return trial.averaging_s / whole_s if whole_s > 0.0 else None

    def _slip_line(self, line: PlannedTrial) -> SlipLine:
        result, running = self.results.get(line.position), self.session.trial()
        trial = self.trials.get(result.trial_id) if result else None
        in_hand = running is not None and running.planned == line
        if running is not None and in_hand:
            is_broken = self.session.stage is Stage.LIMIT
            note = self.owed.note(line, running.note) if is_broken else running.note
            # What came of an earlier attempt says nothing of this one.
            if result is not None and result.trial_id != running.trial_id:
                result = None
        else:
            note = self._note(line, result) if result else ""
        averages = (
            () if result is None or _counts_for_nothing(result) else result.averages
        )
        return SlipLine(
            position=line.position,
            condition=line.condition,
            repeat=line.repeat,
            baseline=line.baseline,
            state=self._state(line, result, in_hand=in_hand),
            averages={
                a.channel: AverageLine(
                    a.mean,
                    a.expanded_uncertainty,
                    a.unit,
                    decimals_of_uncertainty(a.expanded_uncertainty),
                )
                for a in averages
            },
            note=note or None,
            trial=trial,
        )

    def _note(self, line: PlannedTrial, result: TrialResult) -> str:
        """What is noted of a line that is not in hand; of one that is called for again it is of the attempt before."""
        is_before = result.state is TrialState.UNFINISHED
        if is_before and result.note and line.position not in self.session.skipped:
            return f"attempt {result.attempt}: {result.note}"
        return self.owed.note(line, result.note)

    def _state(
        self, line: PlannedTrial, result: TrialResult | None, *, in_hand: bool
    ) -> str:
        if in_hand and self.session.stage is not Stage.LIMIT:
            return "running"
        if in_hand:
            return TrialState.LIMIT_BROKEN.value
        if line.position in self.session.skipped:
            return "skipped"
        if result is None:
            return "to come"
        return "done" if result.state is TrialState.FINISHED else result.state.value


def _counts_for_nothing(result: TrialResult) -> bool:
    return result.state is TrialState.SET_ASIDE
