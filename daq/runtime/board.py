"""What the screens show: newest values, the trial's stage, the slip, health, alarms and events, in one snapshot.

Takes what the daemon tells it and the session's own answers; draws nothing. The page gets the snapshot as JSON, the terminal
as it is.
"""

import json
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from daq.config.bench import Bench, Instrument
from daq.config.plan import Plan
from daq.records import Channel, Gap, PlannedTrial, Reading, TrialResult, TrialState
from daq.runtime.clock import Clock
from daq.runtime.snapshot import (
    AlarmLine,
    AverageLine,
    ChannelLine,
    ClockLine,
    ConditionLine,
    EventLine,
    InstrumentLine,
    PartLine,
    SessionLine,
    SlipLine,
    Snapshot,
    StageLine,
    TrialLine,
)
from daq.trials.session import Session
from daq.trials.stages import Stage
from daq.wording import (
    STORE_HINDRANCE,
    Urgency,
    breach_text,
    decimals_of,
    decimals_of_uncertainty,
    finished_instruction,
    held_back_advice,
    instruction,
    no_load_yet,
    no_reading_yet,
    overdue_text,
    shown_seconds_left,
    silent_meter,
    stage_sentence,
    time_left,
)

_EVENTS = 50
_TRACE_S = 900.0
_TRACE_POINTS = 9000
_OLD_INTERVALS = 2.5
_OLD_LEAST_S = 2.0
_JITTER_S = 0.4
_FIRST_READINGS_S = 3.0
"""Meters get so long to be heard for the first time [s of real time]."""
_LOAD_WITHIN_S = 8.0
"""A machine that was said to be on gets so long to show it [s]."""


@dataclass(slots=True)
class _Latest:
    """Newest reading of one instrument, and its counts."""

    reading: Reading | None = None
    last_gap: Gap | None = None
    readings: int = 0
    gaps: int = 0
    line_text: str | None = None


class Board:
    """Collects what the screens show."""

    def __init__(
        self,
        bench: Bench,
        plan: Plan,
        session: Session,
        order: Sequence[PlannedTrial],
        *,
        clock: Clock,
        session_number: int,
        earlier: Sequence[TrialResult],
    ) -> None:
        self.store = PartLine("ok", "")
        self.broker = PartLine("away", "not connected yet")
        self.lead_warning: AlarmLine | None = None
        self._bench = bench
        self._plan = plan
        self._session = session
        self._order = tuple(order)
        self._clock = clock
        self._number = session_number
        self._channels = {c.name: c for c in bench.channels}
        self._by_instrument = bench.channels_by_instrument()
        self._latest = {i.name: _Latest() for i in bench.instruments}
        self._events: deque[EventLine] = deque(maxlen=_EVENTS)
        self._results = {result.planned.position: result for result in earlier}
        self._traces: dict[str, deque[tuple[float, float | None]]] = {
            name: deque(maxlen=_TRACE_POINTS) for name in self._channels
        }
        self._trial_number = len(earlier)
        self._began_s = clock.bench_s()
        self._store_failing_since_s: float | None = None
        self._shown_left_s: float | None = None

    # ---- what it is told

    def take(self, outcome: Reading | Gap) -> None:
        """Keep the newest of an instrument."""
        latest = self._latest[outcome.instrument]
        if isinstance(outcome, Gap):
            latest.last_gap = outcome
            latest.gaps += 1
            return
        latest.reading = outcome
        latest.readings += 1
        for name, value in self.values_of(outcome).items():
            self._traces[name].append((outcome.at_s, value))

    def values_of(self, reading: Reading) -> dict[str, float | None]:
        """A reading's values under the names of their channels."""
        own = self._by_instrument[reading.instrument]
        return {c.name: reading.values[c.field_index] for c in own}

    def line_changed(self, instrument: str, text: str | None) -> bool:
        """A line is lost (with the reason) or open (None); tells whether that is news."""
        latest = self._latest[instrument]
        news = (text is None) != (latest.line_text is None)
        latest.line_text = text
        return news

    def trial_began(self) -> None:
        """Count a trial."""
        self._trial_number += 1

    def result(self, result: TrialResult) -> None:
        """A trial was confirmed or has ended."""
        self._results[result.planned.position] = result

    def event(self, text: str, at_s: float) -> EventLine:
        """Add a line to the events."""
        line = EventLine(self._clock.utc_text(at_s), at_s, text)
        self._events.appendleft(line)
        return line

    # ---- what it answers

    @property
    def results(self) -> tuple[TrialResult, ...]:
        """Newest result of each line of the order that has one."""
        return tuple(self._results[position] for position in sorted(self._results))

    def trace_json(self) -> str:
        """Recent readings of every channel, for the charts."""
        since = self._clock.bench_s() - _TRACE_S
        channels = {}
        for name, points in self._traces.items():
            recent = [point for point in points if point[0] >= since]
            channels[name] = {
                "t": [round(t, 3) for t, _ in recent],
                "v": [v for _, v in recent],
            }
        return json.dumps({"format": 1, "channels": channels}, allow_nan=False)

    def snapshot(self) -> Snapshot:
        """Everything as it stands now."""
        session, now_s = self._session, self._clock.bench_s()
        hindrance = self._hindrance(now_s)
        left_s = self._seconds_left(is_hindered=hindrance is not None)
        planned = session.called_for
        fit = self._plan.instructions[planned.condition] if planned else ""
        by_key = self._plan.rules.start.channel is None
        words, urgency = instruction(
            session.stage,
            fit,
            by_key=by_key,
            switch_off_first=session.must_switch_off_first,
            seconds_left=left_s,
            hindrance=hindrance,
        )
        if session.stage is Stage.FINISHED:
            without = sum(r.state is not TrialState.FINISHED for r in self.results)
            words, urgency = finished_instruction(len(self._order), without)
        alarms = self._alarms(now_s)
        state = "finished" if session.stage is Stage.FINISHED else "running"
        return Snapshot(
            format=1,
            bench=self._bench.name,
            plan=self._plan.name,
            machine=self._plan.machine,
            clock=ClockLine(round(now_s, 3), self._clock.utc_text(), self._clock.speed),
            session=SessionLine(
                self._number, state, session.done_count, len(self._order)
            ),
            stage=StageLine(
                name=session.stage.value,
                since_s=session.stage_since_s,
                progress=self._progress(),
                seconds_left=left_s,
                time_left="" if left_s is None else time_left(left_s),
                sentence=stage_sentence(
                    session.stage,
                    by_key=by_key,
                    switch_off_first=session.must_switch_off_first,
                ),
            ),
            instruction=words,
            urgency=(Urgency.DANGER if session.overdue else urgency).value,
            condition=ConditionLine(planned.condition, planned.repeat, planned.position)
            if planned
            else None,
            trial=self._trial(),
            channels=tuple(self._channel(c, now_s) for c in self._channels.values()),
            slip=tuple(self._slip(line) for line in self._order),
            instruments=tuple(
                self._instrument(i, now_s) for i in self._bench.instruments
            ),
            store=self.store,
            broker=self.broker,
            alarms=alarms,
            events=tuple(self._events),
        )

    # ---- parts of the snapshot

    def _hindrance(self, now_s: float) -> str | None:
        """What keeps a trial from beginning or from settling, whatever the machine does."""
        trial = self._session.trial()
        if trial is None:
            return self._hindrance_to_begin(now_s)
        for name in self._plan.rules.required:
            channel = self._channels[name]
            latest = self._latest[channel.instrument]
            # One that has never been heard is waited for since the trial began.
            heard_s = latest.reading.at_s if latest.reading else trial.started_s
            is_old = _is_old(heard_s, channel.interval_s, now_s, self._clock.speed)
            if is_old or latest.line_text is not None:
                return silent_meter(channel.title, now_s - heard_s)
        without_load = self._session.without_load()
        if without_load and now_s - trial.started_s > _LOAD_WITHIN_S:
            return no_load_yet(self._channels[without_load[0]].title)
        return None

    def _hindrance_to_begin(self, now_s: float) -> str | None:
        """A trial that nobody could see begin, or that could not settle, must not be begun."""
        if self._session.must_switch_off_first:
            return None
        if self.store.state != "ok":
            return STORE_HINDRANCE
        rules, speed = self._plan.rules, self._clock.speed
        is_early = now_s - self._began_s < _FIRST_READINGS_S * speed
        for channel in self._channels.values():
            if channel.name not in (*rules.required, rules.start.channel):
                continue
            latest = self._latest[channel.instrument]
            condition = _condition(channel, latest, now_s, speed)
            was_heard = latest.reading is not None
            if condition in {"silent", "old", "no reading yet"} and (
                was_heard or not is_early
            ):
                return no_reading_yet(channel.title)
        return None

    def _seconds_left(self, *, is_hindered: bool) -> float | None:
        """How much longer, in round figures; nothing while it cannot go on."""
        left_s = None if is_hindered else self._session.time_left_s()
        self._shown_left_s = (
            None
            if left_s is None
            else shown_seconds_left(
                left_s,
                shown_s=self._shown_left_s,
                at_most_s=self._session.longest_left_s(),
            )
        )
        return self._shown_left_s

    def _progress(self) -> float | None:
        """Share of the averaging that is over, by how long it is likely to take."""
        trial, left_s = self._session.trial(), self._session.time_left_s()
        if trial is None or self._session.stage is not Stage.AVERAGING:
            return None
        whole_s = trial.averaging_s + (left_s or 0.0)
        return trial.averaging_s / whole_s if whole_s > 0.0 else None

    def _trial(self) -> TrialLine | None:
        trial = self._session.trial()
        if trial is None:
            return None
        window = (trial.window.start_s, trial.window.end_s) if trial.window else None
        return TrialLine(
            self._trial_number,
            trial.started_s,
            trial.run_up_end_s,
            window,
            trial.confirmed,
        )

    def _channel(self, channel: Channel, now_s: float) -> ChannelLine:
        latest = self._latest[channel.instrument]
        value = latest.reading.values[channel.field_index] if latest.reading else None
        at_s = latest.reading.at_s if latest.reading else None
        required = channel.name in self._plan.rules.required
        progress = self._session.channel_progress(channel.name) if required else None
        shown = progress is not None and self._session.stage in {
            Stage.SETTLING,
            Stage.AVERAGING,
        }
        reason = progress.held_back_by if progress is not None and shown else None
        return ChannelLine(
            name=channel.name,
            title=channel.title,
            quantity=channel.quantity,
            unit=channel.unit,
            place=channel.place,
            decimals=decimals_of(channel.accuracy.resolution),
            required=required,
            instrument=channel.instrument,
            interval_s=channel.interval_s,
            value=value,
            at_s=at_s,
            condition=_condition(channel, latest, now_s, self._clock.speed),
            holding_back=held_back_advice(reason) if reason else None,
            mean=progress.mean if progress else None,
            expanded_uncertainty=progress.expanded_uncertainty if progress else None,
        )

    def _slip(self, line: PlannedTrial) -> SlipLine:
        result = self._results.get(line.position)
        running = self._session.trial()
        in_hand = running is not None and running.planned == line
        averages = result.averages if result else ()
        return SlipLine(
            position=line.position,
            condition=line.condition,
            repeat=line.repeat,
            baseline=line.baseline,
            state=_slip_state(result, in_hand=in_hand),
            averages={
                a.channel: AverageLine(
                    a.mean,
                    a.expanded_uncertainty,
                    a.unit,
                    decimals_of_uncertainty(a.expanded_uncertainty),
                )
                for a in averages
            },
            note=(result.note or None) if result else None,
        )

    def _instrument(self, instrument: Instrument, now_s: float) -> InstrumentLine:
        latest = self._latest[instrument.name]
        state, text = _health(latest, instrument.interval_s, now_s, self._clock.speed)
        return InstrumentLine(
            instrument.name,
            instrument.port.url,
            state,
            text,
            latest.readings,
            latest.gaps,
        )

    def _alarms(self, now_s: float) -> tuple[AlarmLine, ...]:
        alarms = [
            AlarmLine(
                breach_text(breach, self._channels[breach.limit.channel]),
                breach.since_s,
            )
            for breach in self._session.breaches()
        ]
        if self.lead_warning is not None:
            alarms.append(self.lead_warning)
        trial, longest_s = self._session.trial(), self._plan.rules.longest_s
        if trial is not None and self._session.overdue:
            alarms.append(
                AlarmLine(overdue_text(longest_s), trial.started_s + longest_s)
            )
        if self.store.state == "ok":
            self._store_failing_since_s = None
        else:
            since_s = self._store_failing_since_s = self._store_failing_since_s or now_s
            alarms.append(AlarmLine(self.store.text, since_s))
        return tuple(alarms)


def _is_old(at_s: float, interval_s: float, now_s: float, speed: float) -> bool:
    # Handing a reading over takes real time, which a demonstration's clock stretches.
    jitter_s = _JITTER_S * (speed - 1.0)
    return now_s - at_s > max(_OLD_LEAST_S, _OLD_INTERVALS * interval_s) + jitter_s


def _condition(channel: Channel, latest: _Latest, now_s: float, speed: float) -> str:
    reading = latest.reading
    if latest.line_text is not None:
        return "silent"
    if reading is None:
        return "no reading yet"
    if _is_old(reading.at_s, channel.interval_s, now_s, speed):
        return "old"
    return "overrange" if reading.values[channel.field_index] is None else "ok"


def _health(
    latest: _Latest, interval_s: float, now_s: float, speed: float
) -> tuple[str, str]:
    if latest.line_text is not None:
        return "lost", latest.line_text
    gap, reading = latest.last_gap, latest.reading
    if reading is None:
        if gap is None:
            return "waiting", "no reading yet"
        return "silent", f"no reading yet: {gap.reason.value}"
    if _is_old(reading.at_s, interval_s, now_s, speed):
        why = (
            f": {gap.reason.value}"
            if gap is not None and gap.at_s > reading.at_s
            else ""
        )
        return (
            "silent",
            f"no reading for {now_s - reading.at_s:.0f} s{why}; check its plug and its display",
        )
    return "ok", f"a reading every {interval_s:g} s"


def _slip_state(result: TrialResult | None, *, in_hand: bool) -> str:
    if in_hand:
        return "running"
    if result is None:
        return "to come"
    return "done" if result.state is TrialState.FINISHED else result.state.value
