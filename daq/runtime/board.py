"""What the screens show: newest values, health, alarms and events, and the session in hand where there is one.

Takes what the daemon tells it and the session's own answers; draws nothing. The page gets the snapshot as JSON, the terminal
as it is.
"""

import json
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from daq.alarm_words import LEFT_RUNNING_TEXT, lost_meter_text, unseen_limit_text
from daq.config.bench import Bench, Instrument
from daq.records import Channel, Gap, GapReason, Reading
from daq.runtime.clock import Clock
from daq.runtime.session_lines import SessionLines
from daq.runtime.snapshot import (
    FORMAT,
    AlarmLine,
    ChannelLine,
    ClockLine,
    ComparisonLine,
    EventLine,
    InstrumentLine,
    PartLine,
    Snapshot,
    StageLine,
)
from daq.runtime.thinned_trace import ThinnedTrace
from daq.trials.stages import Stage
from daq.typed import TakenBack
from daq.wording import (
    IDLE_SENTENCE,
    STORE_HINDRANCE,
    decimals_of,
    held_back_advice,
    idle_instruction,
    left_running_instruction,
    no_load_yet,
    no_reading_yet,
    no_usable_value,
    silent_meter,
    unseen_machine,
)

IDLE = "idle"
"""Name of the stage of a bench without a session."""

TRACE_S = 900.0
"""So long a past the charts are given [s of bench time]."""

_EVENTS = 50
_TYPED_KEPT = 50
"""Typed readings of one channel among which the last is found that was not taken back [1]."""
_OLD_INTERVALS = 2.5
_OLD_LEAST_S = 2.0
_JITTER_S = 0.4
_FIRST_READINGS_S = 3.0
"""Meters get so long to be heard for the first time [s of real time]."""
_UNSEEN_WITHIN_S = 10.0
"""A channel with a limit gets so long, from switching on, to show a usable value [s]: sensors begin above nothing."""
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


@dataclass(frozen=True, slots=True)
class _LeftRunning:
    """A machine that was running when its session was stopped [s], until its start channel is below that.

    Without a channel, or where its meter is not heard any more, until the operator says that it was switched off.
    """

    channel: str | None
    off_below: float
    since_s: float


class Board:
    """Collects what the screens show.

    Attributes:
        store, broker: How they fare.
        lines: Of the session in hand; None while the bench is idle.
        comparison: As far as the session has come.
        lead_warning: What the fitted lead looks like, where it is not the one called for.
    """

    def __init__(
        self, bench: Bench, *, clock: Clock, ends_with_session: bool = False
    ) -> None:
        """An idle bench."""
        self._ends_with_session = ends_with_session
        self.store = PartLine("ok", "")
        self.broker = PartLine("away", "not connected yet")
        self.lines: SessionLines | None = None
        self.comparison: ComparisonLine | None = None
        self.lead_warning: AlarmLine | None = None
        self._bench = bench
        self._clock = clock
        self._channels = {c.name: c for c in bench.channels}
        self._by_instrument = bench.channels_by_instrument()
        self._typed = {meter.channel.name for meter in bench.typed}
        self._typed_past: dict[str, deque[Reading]] = {
            meter.channel.instrument: deque(maxlen=_TYPED_KEPT) for meter in bench.typed
        }
        self._taken_back: deque[TakenBack] = deque(maxlen=_TYPED_KEPT)
        self._latest = {name: _Latest() for name in self._by_instrument}
        self._events: deque[EventLine] = deque(maxlen=_EVENTS)
        self._traces = {name: ThinnedTrace(TRACE_S) for name in self._channels}
        self._usable_s: dict[str, float] = {}
        self._left_running: _LeftRunning | None = None
        self._began_s = clock.bench_s()
        self._store_failing_since_s: float | None = None

    # ---- what it is told

    def open(self, lines: SessionLines) -> None:
        """A session is taken in hand."""
        self.lines = lines
        self._left_running = None
        self.comparison = None
        self.lead_warning = None

    def close(self) -> None:
        """The session is left; where the machine still runs, that is told until its start channel says otherwise."""
        session = self.lines.session if self.lines else None
        if self.lines and session and session.running_since_s is not None:
            start, now_s = self.lines.plan.rules.start, self._clock.bench_s()
            self._left_running = _LeftRunning(start.channel, start.off_below, now_s)
        self.lines = None
        self.comparison = None
        self.lead_warning = None

    def machine_off(self) -> bool:
        """The operator says that the machine was switched off; tells whether that is news while no session is in hand."""
        was_running = self._left_running is not None
        self._left_running = None
        return was_running

    def take(self, outcome: Reading | Gap) -> None:
        """Keep the newest of an instrument."""
        latest = self._latest[outcome.instrument]
        if isinstance(outcome, Gap):
            latest.last_gap = outcome
            latest.gaps += outcome.polls
            return
        latest.reading = outcome
        latest.readings += 1
        if outcome.instrument in self._typed_past:
            self._typed_past[outcome.instrument].append(outcome)
        for name, value in self.values_of(outcome).items():
            self._traces[name].append(outcome.at_s, value)
            if value is None:
                continue
            self._usable_s[name] = outcome.at_s
            left = self._left_running
            if left and name == left.channel and value < left.off_below:
                self._left_running = None

    def take_back(self, taken: TakenBack) -> None:
        """A typed reading counts no more: the one before it is the newest again, and the charts forget it."""
        instrument = self._channels[taken.channel].instrument
        past = self._typed_past[instrument]
        for reading in [each for each in past if each.at_s == taken.at_s]:
            past.remove(reading)
        self._latest[instrument].reading = past[-1] if past else None
        self._traces[taken.channel].drop(taken.at_s)
        self._taken_back.append(taken)

    def recall(self, past: Mapping[str, ThinnedTrace]) -> None:
        """Let the charts begin with what was read before the service was started; of channels that are gone nothing is shown."""
        for name in self._traces.keys() & past.keys():
            self._traces[name].begin_with(past[name])

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

    def event(self, text: str, at_s: float) -> EventLine:
        """Add a line to the events."""
        line = EventLine(self._clock.utc_text(at_s), at_s, text)
        self._events.appendleft(line)
        return line

    # ---- what it answers

    def trace_json(self) -> Iterator[str]:
        """Recent readings of every channel, for the charts: one text, channel by channel."""
        now_s = self._clock.bench_s()
        return _by_channel(
            (name, trace.as_json(now_s)) for name, trace in self._traces.items()
        )

    def funnel_json(self) -> Iterator[str]:
        """How the required channels of the trial in hand have come to settle so far: one text, channel by channel."""
        channels = self.lines.funnel() if self.lines else ()
        return _by_channel(
            (name, json.dumps(series, allow_nan=False)) for name, series in channels
        )

    def snapshot(self) -> Snapshot:
        """Everything as it stands now."""
        lines, now_s = self.lines, self._clock.bench_s()
        hindrance = self._hindrance(now_s)
        left_s = (
            lines.seconds_left(is_hindered=hindrance is not None) if lines else None
        )
        if lines is None and self._left_running:
            words, urgency = left_running_instruction()
        elif lines is None:
            words, urgency = idle_instruction()
        else:
            words, urgency = lines.instruction(hindrance=hindrance, left_s=left_s)
        return Snapshot(
            format=FORMAT,
            bench=self._bench.name,
            plan=lines.plan.name if lines else "",
            machine=lines.plan.machine if lines else "",
            clock=ClockLine(round(now_s, 3), self._clock.utc_text(), self._clock.speed),
            session=lines.session_line() if lines else None,
            stage=lines.stage_line(left_s=left_s) if lines else _IDLE_STAGE,
            instruction=words,
            urgency=urgency.value,
            condition=lines.condition_line() if lines else None,
            trial=lines.trial_line() if lines else None,
            channels=tuple(self._channel(c, now_s) for c in self._channels.values()),
            slip=lines.slip() if lines else (),
            instruments=(
                *(self._instrument(i, now_s) for i in self._bench.instruments),
                *(self._typed_meter(m.channel) for m in self._bench.typed),
            ),
            store=self.store,
            broker=self.broker,
            alarms=self._alarms(now_s),
            events=tuple(self._events),
            comparison=self.comparison,
            ends_with_session=self._ends_with_session,
            asking=lines.asking_line() if lines else None,
            typed_readings=lines.typed_lines() if lines else (),
            missed=lines.missed_line() if lines else None,
            repeat_offer=lines.repeat_offer() if lines else None,
            taken_back=tuple(self._taken_back),
            overdue=lines is not None and lines.session.overdue_since_s is not None,
        )

    # ---- parts of the snapshot

    def _hindrance(self, now_s: float) -> str | None:
        """What keeps a trial from beginning or from settling, whatever the machine does."""
        if self.lines is None:
            return None
        session = self.lines.session
        trial = session.trial()
        if trial is None:
            return self._hindrance_to_begin(self.lines, now_s)
        for name in self.lines.plan.rules.required:
            channel = self._channels[name]
            latest = self._latest[channel.instrument]
            # One that has never been heard is waited for since the trial began.
            heard_s = latest.reading.at_s if latest.reading else trial.started_s
            is_old = _is_old(heard_s, channel.interval_s, now_s, self._clock.speed)
            if is_old or latest.line_text is not None:
                return silent_meter(channel.title, now_s - heard_s)
            is_judged = session.stage is not Stage.RUNNING_UP
            if is_judged and self._unusable_for_s(channel, now_s):
                return no_usable_value(channel.title)
        without_load = session.without_load()
        if without_load and now_s - trial.started_s > _LOAD_WITHIN_S:
            return no_load_yet(self._channels[without_load[0]].title)
        return None

    def _hindrance_to_begin(self, lines: SessionLines, now_s: float) -> str | None:
        """A trial that nobody could see begin, or that could not settle, must not be begun."""
        if lines.session.must_switch_off_first:
            return None
        if self.store.state != "ok":
            return STORE_HINDRANCE
        rules, speed = lines.plan.rules, self._clock.speed
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
            # Others may have none at rest, and may get one once the machine runs.
            is_start = channel.name == rules.start.channel
            if is_start and self._unusable_for_s(channel, now_s):
                return unseen_machine(channel.title)
        return None

    def _unusable_for_s(self, channel: Channel, now_s: float) -> float:
        """For how long its meter is heard and shows no usable value [s]; 0 while that is no longer than a reading takes to be old."""
        reading = self._latest[channel.instrument].reading
        if reading is None or reading.values[channel.field_index] is not None:
            return 0.0
        usable_s = self._usable_s.get(channel.name, self._began_s)
        is_old = _is_old(usable_s, channel.interval_s, now_s, self._clock.speed)
        return now_s - usable_s if is_old else 0.0

    def _channel(self, channel: Channel, now_s: float) -> ChannelLine:
        latest = self._latest[channel.instrument]
        value = latest.reading.values[channel.field_index] if latest.reading else None
        at_s = latest.reading.at_s if latest.reading else None
        lines = self.lines
        rules = lines.plan.rules if lines else None
        typed = channel.name in self._typed
        required = rules is not None and channel.name in rules.waited_for
        progress = (
            lines.session.channel_progress(channel.name)
            if lines and required and not typed
            else None
        )
        shown = lines is not None and lines.session.stage in _JUDGED
        reason = progress.held_back_by if progress and shown else None
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
            condition=_typed_condition(latest)
            if typed
            else _condition(channel, latest, now_s, self._clock.speed),
            holding_back=held_back_advice(reason) if reason else None,
            mean=progress.mean if progress else None,
            expanded_uncertainty=progress.expanded_uncertainty if progress else None,
            typed=typed,
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

    def _typed_meter(self, channel: Channel) -> InstrumentLine:
        """It is asked for only while a trial averages, and never silent."""
        count = self._latest[channel.instrument].readings
        text = "read by the operator, who is asked while a trial averages"
        return InstrumentLine(channel.instrument, "", "ok", text, count, 0)

    def _alarms(self, now_s: float) -> tuple[AlarmLine, ...]:
        alarms = self.lines.alarms(self._channels) if self.lines else []
        alarms += self._lost_meters(now_s)
        alarms += self._unseen_limits(now_s)
        if self._left_running:
            alarms.append(AlarmLine(LEFT_RUNNING_TEXT, self._left_running.since_s))
        if self.lead_warning is not None:
            alarms.append(self.lead_warning)
        if self.store.state == "ok":
            self._store_failing_since_s = None
        else:
            since_s = self._store_failing_since_s = self._store_failing_since_s or now_s
            alarms.append(AlarmLine(self.store.text, since_s))
        return tuple(alarms)

    def _lost_meters(self, now_s: float) -> Iterator[AlarmLine]:
        """Meters that are not heard while the machine runs."""
        running_since_s = self.lines.session.running_since_s if self.lines else None
        if running_since_s is None:
            return
        for instrument in self._bench.instruments:
            line = self._instrument(instrument, now_s)
            if line.state in {"silent", "lost"}:
                reading = self._latest[instrument.name].reading
                since_s = reading.at_s if reading else running_since_s
                yield AlarmLine(lost_meter_text(line.name, line.text), since_s)

    def _unseen_limits(self, now_s: float) -> Iterator[AlarmLine]:
        """Channels with a limit that have shown no usable value for some time while the machine runs."""
        session = self.lines.session if self.lines else None
        if self.lines is None or session is None or session.running_since_s is None:
            return
        told = {breach.limit.channel for breach in session.breaches()}
        limited = {limit.channel for limit in self.lines.plan.rules.limits}
        for name in sorted(limited - told):
            unusable_s = self._unusable_for_s(self._channels[name], now_s)
            since_s = max(now_s - unusable_s, session.running_since_s)
            if unusable_s and now_s - since_s > _UNSEEN_WITHIN_S:
                title = self._channels[name].title
                yield AlarmLine(unseen_limit_text(title), since_s)


_JUDGED = frozenset({Stage.SETTLING, Stage.AVERAGING})
_IDLE_STAGE = StageLine(IDLE, None, None, None, "", IDLE_SENTENCE)


def _by_channel(texts: Iterable[tuple[str, str]]) -> Iterator[str]:
    """The parts of one JSON text."""
    yield '{"format": 1, "channels": {'
    comma = ""
    for name, text in texts:
        yield f"{comma}{json.dumps(name)}: {text}"
        comma = ", "
    yield "}}"


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


def _typed_condition(latest: _Latest) -> str:
    return "ok" if latest.reading is not None else "no reading yet"


def _health(
    latest: _Latest, interval_s: float, now_s: float, speed: float
) -> tuple[str, str]:
    if latest.line_text is not None:
        return "lost", latest.line_text
    gap, reading = latest.last_gap, latest.reading
    if reading is None:
        if gap is None:
            return "waiting", "no reading yet"
        return "silent", f"no reading yet: {_why(gap)}"
    if _is_old(reading.at_s, interval_s, now_s, speed):
        words = f"no reading for {now_s - reading.at_s:.0f} s"
        if gap is None or gap.at_s <= reading.at_s:
            return "silent", f"{words}; check its plug and its display"
        # The meter has no part in it.
        to_do = (
            "" if gap.reason is GapReason.MISSED else "; check its plug and its display"
        )
        return "silent", f"{words}: {_why(gap)}{to_do}"
    return "ok", f"a reading every {interval_s:g} s"


def _why(gap: Gap) -> str:
    """Of missed polls the reason is a kind only; the detail says whether the line or the computer was busy."""
    is_told = gap.reason is GapReason.MISSED and gap.detail
    return gap.detail if is_told else gap.reason.value
