"""What the screens show: newest values, health, alarms and events, and the session in hand where there is one.

Takes what the daemon tells it and the session's own answers; draws nothing. The page gets the snapshot as JSON, the terminal
as it is.
"""

import json
from collections import deque
from collections.abc import Iterable, Iterator, Mapping

from daq.alarm_words import (
    LEFT_RUNNING_TEXT,
    MAY_RUN_TEXT,
    SEEN_RUNNING_TEXT,
    not_read_instruction,
)
from daq.config.bench import Bench, Instrument
from daq.records import Channel, Gap, Reading
from daq.runtime.blind_spots import BlindSpot, BlindSpots
from daq.runtime.clock import Clock
from daq.runtime.latest import Latest
from daq.runtime.left_running import Before, LeftRunning, Told
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
from daq.settling.verdicts import HeldBackBy
from daq.trials.stages import Stage
from daq.trials.switching import StartRule
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
_FIRST_READINGS_S = 3.0
"""Meters get so long to be heard for the first time [s of real time]."""
_FIRST_READINGS_INTERVALS = 2.5
"""One that is read more seldom gets so many of its intervals."""
_LOAD_WITHIN_S = 8.0
"""A machine that was said to be on gets so long to show it [s]."""


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
        self._latest = {name: Latest() for name in self._by_instrument}
        for each in bench.instruments:
            latest = Latest(each.interval_s, each.lag_s, clock.speed)
            self._latest[each.name] = latest
        self._events: deque[EventLine] = deque(maxlen=_EVENTS)
        self._traces = {name: ThinnedTrace(TRACE_S) for name in self._channels}
        self._left_running: LeftRunning | None = None
        self._began_s = clock.bench_s()
        self._blind = BlindSpots(bench, self._latest, began_s=self._began_s)
        self._store_failing_since_s: float | None = None

    # ---- what it is told

    def open(self, lines: SessionLines) -> None:
        """A session is taken in hand; it watches from now on what was left running, as it was made to."""
        self.lines = lines
        self._left_running = None
        self.comparison = None
        self.lead_warning = None

    def close(self) -> None:
        """The session is left; where the machine still runs, that is told until its start channel says otherwise."""
        session = self.lines.session if self.lines else None
        if self.lines and session and session.running_since_s is not None:
            self.left_behind(self.lines.plan.rules.start, Before.RUNNING)
        self.lines = None
        self.comparison = None
        self.lead_warning = None

    def left_behind(self, rule: StartRule, before: Before) -> None:
        """A machine runs without a session, may do so, or is to be looked at whether it does."""
        channel = self._channels.get(rule.channel or "")
        interval_s = channel.interval_s if channel else 0.0
        self._left_running = LeftRunning(
            rule,
            before=before,
            at_s=self._clock.bench_s(),
            interval_s=interval_s,
            heard_within_s=max(
                _FIRST_READINGS_S * self._clock.speed,
                _FIRST_READINGS_INTERVALS * interval_s,
            ),
        )

    def machine_off(self) -> bool:
        """The operator says that the machine was switched off; tells whether that is taken, for its channel may gainsay it."""
        left = self._left_running
        if left and left.gainsays_off(self._clock.bench_s()):
            return False
        self._left_running = None
        if left and left.rule.channel is not None:
            # Where that is not heard, the word is taken; once it is, it may show otherwise.
            self.left_behind(left.rule, Before.UNKNOWN)
        return True

    def take(self, outcome: Reading | Gap) -> None:
        """Keep the newest of an instrument."""
        self._latest[outcome.instrument].take(outcome)
        if isinstance(outcome, Gap):
            return
        if outcome.instrument in self._typed_past:
            self._typed_past[outcome.instrument].append(outcome)
        for name, value in self.values_of(outcome).items():
            self._traces[name].append(outcome.at_s, value)
            if self._left_running and value is not None:
                self._left_running.feed(name, outcome.at_s, value)
        if self._left_running and self._left_running.is_over:
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

    @property
    def may_run(self) -> bool:
        """Whether a machine without a session runs, or may: a session that begins has to have it switched off first."""
        return self._left_running is not None and self._left_running.may_run

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
        blind = self._blind_spots(now_s)
        # Nobody is to wait at a machine that may have to be switched off.
        is_hindered = hindrance is not None or bool(blind)
        left_s = lines.seconds_left(is_hindered=is_hindered) if lines else None
        if lines:
            words, urgency = lines.instruction(
                hindrance=hindrance, left_s=left_s, blind=blind
            )
        elif any(self._unwatched(now_s)):
            words, urgency = left_running_instruction()
        else:
            words, urgency = idle_instruction()
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
            heard_s = trial.started_s if latest.heard_s is None else latest.heard_s
            if latest.is_old(heard_s, now_s) or latest.line_text is not None:
                is_ours = latest.line_text is None and latest.was_missed
                words = not_read_instruction if is_ours else silent_meter
                return words(channel.title, now_s - heard_s)
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
            condition = latest.condition(channel, now_s)
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
        index, began_s = channel.field_index, self._began_s
        latest = self._latest[channel.instrument]
        return latest.unusable_for_s(index, now_s, began_s=began_s)

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
        condition = (
            _typed_condition(latest) if typed else latest.condition(channel, now_s)
        )
        reason = progress.held_back_by if progress and shown else None
        is_heard = condition not in {"silent", "old", "no reading yet"}
        if not is_heard and reason is not HeldBackBy.GAPS:
            reason = None  # what it read last says nothing of now
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
            condition=condition,
            holding_back=held_back_advice(reason) if reason else None,
            mean=progress.mean if progress else None,
            expanded_uncertainty=progress.expanded_uncertainty if progress else None,
            typed=typed,
        )

    def _instrument(self, instrument: Instrument, now_s: float) -> InstrumentLine:
        latest = self._latest[instrument.name]
        state, text = latest.health(now_s)
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
        alarms += [spot.alarm for spot in self._blind_spots(now_s)]
        alarms += self._unwatched(now_s)
        if self.lead_warning is not None:
            alarms.append(self.lead_warning)
        if self.store.state == "ok":
            self._store_failing_since_s = None
        else:
            since_s = self._store_failing_since_s = self._store_failing_since_s or now_s
            alarms.append(AlarmLine(self.store.text, since_s))
        return tuple(alarms)

    def _blind_spots(self, now_s: float) -> list[BlindSpot]:
        lines = self.lines
        if lines is None:
            return []
        return self._blind.found(lines.session, lines.plan.rules, now_s)

    def _unwatched(self, now_s: float) -> Iterator[AlarmLine]:
        """A machine that runs, or may, without a session."""
        told = self._left_running.told(now_s) if self._left_running else None
        if told is None:
            return
        what, since_s = told
        if what is Told.LEFT_RUNNING:
            yield AlarmLine(LEFT_RUNNING_TEXT, since_s)
        elif what is Told.SEEN_RUNNING:
            yield AlarmLine(SEEN_RUNNING_TEXT, since_s)
        else:
            yield AlarmLine(MAY_RUN_TEXT, since_s)

    def alarms_for_the_record(self, now_s: float) -> list[str]:
        """Texts of the alarms now of which nothing else tells in the record [s]."""
        blind = self._blind_spots(now_s)
        texts = [spot.alarm.text for spot in blind if spot.is_heard]
        return [*texts, *(alarm.text for alarm in self._unwatched(now_s))]


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


def _typed_condition(latest: Latest) -> str:
    return "ok" if latest.reading is not None else "no reading yet"
