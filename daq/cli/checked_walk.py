"""Goes through the list before a session: asks, reads meters where that is wanted, judges, keeps what holds.

What was told, measured or asked is judged in `daq.checklist`; what was acknowledged stands in a file beside the store.
"""

import asyncio
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TextIO

from daq.checklist.air import (
    AIR,
    air_question,
    judge_air,
    needs_answer,
    parse_air_answer,
)
from daq.checklist.air import REASON as AIR_REASON
from daq.checklist.by_eye import pair_by_eye, zero_by_eye
from daq.checklist.computer import (
    CLOCK,
    bytes_a_day,
    clock_text,
    judge_clock,
    judge_disk,
)
from daq.checklist.items import Item, ItemVerdict
from daq.checklist.kept import Entry, Kept
from daq.checklist.pairs import (
    LEAST_READINGS,
    judge_loads,
    judge_pair,
    judge_pair_readings,
    pair_of_entry,
    paired,
    standby_remark,
)
from daq.checklist.pairs import REASON as PAIR_REASON
from daq.checklist.ratings import LIMIT_REASON, judge_ratings
from daq.checklist.refreshing import REASON as REFRESH_REASON
from daq.checklist.refreshing import judge_refresh
from daq.checklist.ticks import NO, YES, Tick, isolation_tick, judge_tick, key_ticks
from daq.checklist.zeros import REASON as ZERO_REASON
from daq.checklist.zeros import judge_zero, judge_zero_readings, zero_of_entry
from daq.cli.checked_answers import Answers
from daq.config.bench import Bench, Instrument
from daq.config.checked_subjects import (
    Subject,
    about_every_meter,
    about_instrument,
    check_subjects,
    instrument_of,
    is_typed,
    load_channels,
    voltmeter_pairs,
    zero_channels,
)
from daq.config.plan import Plan
from daq.records import Channel, Reading
from daq.runtime.checking import InstrumentCheck, read_instruments
from daq.runtime.clock import Clock
from daq.runtime.walk_computer import clock_facts, free_bytes
from daq.runtime.walk_file import checks_path, load_entries, save_entries
from daq.units import UNITS, senml_value

_MEASURED = "measured"
_NO_PORT = "not read, as no port was opened"

Read = Callable[[Sequence[Instrument]], Mapping[str, tuple[Reading, ...]]]
"""Reads instruments until each has given enough."""


@dataclass(slots=True)
class Walk:
    """One way through the list.

    Attributes:
        bench: With its lines' paths resolved.
        plan: For it, or None.
        store: Results file; what is kept stands beside it.
        answers: From options or from the terminal.
        read: Reads meters; None where no port is to be opened.
        kept: What was acknowledged.
        clock: At the speed of the meters.
    """

    bench: Bench
    plan: Plan | None
    store: Path
    answers: Answers
    read: Read | None
    kept: Kept
    clock: Clock

    def before_talking(self) -> Iterator[Item]:
        """What is to be known before a port is opened: isolation, and the meters' own keys."""
        for instrument in self.bench.instruments:
            about = about_instrument(instrument)
            yield self._tick(isolation_tick(instrument.name, about))
        for tick in key_ticks(about_every_meter(self.bench)):
            yield self._tick(tick)

    def after_talking(self, checks: Mapping[str, InstrumentCheck]) -> Iterator[Item]:
        """All the rest.

        Args:
            checks: What was heard of each instrument; empty where no port was opened.
        """
        yield from self._pairs()
        yield from self._zeros()
        yield self._air(checks)
        for instrument in self.bench.instruments:
            yield self._refresh(instrument, checks.get(instrument.name))
        yield self._clock()
        yield self._disk()
        if self.plan is None:
            words = "no plan was named"
            yield Item("limit", ItemVerdict.NOT_APPLICABLE, words, LIMIT_REASON)
        else:
            plan, channels = self.plan, self.bench.channels
            yield from judge_ratings(plan.rules.limits, plan.facts, channels)

    # ---- asked

    def _tick(self, tick: Tick) -> Item:
        entry = self.kept.find(tick.name, tick.about, holds_s=tick.holds_s)
        # Whoever said no once may have mended it since.
        if self._is_asked(tick.name, entry) or (entry and entry.answer == NO):
            answer = self.answers.yes_or_no(tick.name, tick.question)
            if answer is not None:
                self._keep(tick.name, answer)
        return judge_tick(tick, self.kept)

    def _air(self, checks: Mapping[str, InstrumentCheck]) -> Item:
        air, airflows = self.bench.surroundings.air, self.bench.surroundings.airflows
        entry = self._kept_statement()
        if airflows and needs_answer(air) and self._is_asked(AIR, entry):
            answer = self.answers.statement(AIR, air_question(air), parse_air_answer)
            if answer is not None:
                self._keep(AIR, answer)
                entry = self._kept_statement()
        pressure, temperature = (
            (air.pressure_channel, air.temperature_channel) if air else ("", "")
        )
        if airflows and pressure and self.read is None:
            words = f"{pressure}: {_NO_PORT}: check without --files-only"
            return Item(AIR, ItemVerdict.TO_DO, words, AIR_REASON)
        pressure_pa = self._shown_si(pressure, checks)
        return judge_air(
            air,
            has_airflow=bool(airflows),
            entry=entry,
            measured_hpa=None if pressure_pa is None else pressure_pa / 100.0,
            measured_c=self._shown_si(temperature, checks),
        )

    def _kept_statement(self) -> Entry | None:
        """What was stated of the air; None for what was edited into something else."""
        entry = self._entry(AIR)
        try:
            return entry if entry and parse_air_answer(entry.answer) else None
        except ValueError:
            return None

    def _shown_si(
        self, name: str, checks: Mapping[str, InstrumentCheck]
    ) -> float | None:
        """What a channel shows [Pa, °C]; None where there is no such channel or reading."""
        channel = next((c for c in self.bench.channels if c.name == name), None)
        check = checks.get(channel.instrument) if channel else None
        if channel is None or check is None or not check.values:
            return None
        value = check.values[channel.field_index]
        return None if value is None else senml_value(value, UNITS[channel.unit])

    def _clock(self) -> Item:
        facts = clock_facts(Clock(), self.store)
        entry = self._entry(CLOCK)
        if not facts.is_synchronised and self._is_asked(CLOCK, entry):
            question = f"The computer's clock shows {clock_text(facts.utc)}. Is that right, by another clock, within a second?"
            if self.answers.agreed([CLOCK], question):
                entry = self._keep(CLOCK, YES)
        return judge_clock(facts, entry)

    def _refresh(self, instrument: Instrument, check: InstrumentCheck | None) -> Item:
        name = f"refresh:{instrument.name}"
        if self.read is None:
            words = f"{_NO_PORT}: check without --files-only"
            return Item(name, ItemVerdict.TO_DO, words, REFRESH_REASON)
        stated_s = instrument.profile.refresh_s

        def judged(entry: Entry | None) -> Item:
            return judge_refresh(
                name,
                check.heard if check else (),
                stated_s=stated_s,
                is_streamed=instrument.is_streamed,
                entry=entry,
            )

        seen = judged(self._entry(name))
        # Only what cannot be told may be taken on trust; what was seen to be otherwise may not.
        is_untold = not judged(Entry(name, "", YES, self.kept.now_utc)).is_open
        question = f"Is it certain, by its manual, that {instrument.name} makes a new value every {stated_s:g} s?"
        if seen.is_open and is_untold and self.answers.agreed([name], question):
            return judged(self._keep(name, YES))
        return seen

    def _disk(self) -> Item:
        free, folder = free_bytes(self.store)
        stored = [(i.interval_s, len(i.channels)) for i in self.bench.instruments]
        return judge_disk(free, bytes_a_day(stored), str(folder))

    # ---- measured

    def _pairs(self) -> Iterator[Item]:
        pairs = voltmeter_pairs(self.bench)
        if not pairs:
            words = 'the bench has no voltages with place = "supply end" and "machine end" to compare'
            yield Item("pair", ItemVerdict.NOT_APPLICABLE, words, PAIR_REASON)
        for channels in pairs:
            yield self._pair(channels)

    def _pair(self, channels: tuple[Channel, Channel]) -> Item:
        name = f"pair:{channels[1].name}"
        if any(is_typed(self.bench, c) for c in channels):
            return self._tick(pair_by_eye(name, channels, self._subject(name).about))
        entry = self._entry(name)
        if self._is_asked(name, entry) and self.read is not None:
            names = " and ".join(c.name for c in channels)
            question = f"Are the meters of {names} on one live outlet now, with no lead between and the machine off?"
            if self.answers.agreed([name], question):
                return self._read_pair(name, channels, self.read)
        known = pair_of_entry(entry) if entry else None
        if entry is None or known is None:
            words = self._not_read("put both voltmeters on one live outlet")
            return Item(name, ItemVerdict.TO_DO, words, PAIR_REASON)
        return _of_day(judge_pair(name, known, channels), entry)

    def _read_pair(
        self, name: str, channels: tuple[Channel, Channel], read: Read
    ) -> Item:
        """Read both, and beside them whatever would show that the machine runs."""
        loads = load_channels(self.bench)
        heard = read([instrument_of(self.bench, c) for c in (*channels, *loads)])
        shown = [(c, [value for _, value in _values(heard, c)]) for c in loads]
        start = self.plan.rules.start if self.plan else None
        if (running := judge_loads(name, shown, start)) is not None:
            return running
        series = [_values(heard, channel) for channel in channels]
        item = self._kept_figures(judge_pair_readings(name, paired(*series), channels))
        remark = standby_remark(shown, start)
        finding = f"{item.finding}; {remark}" if remark else item.finding
        return replace(item, finding=finding)

    def _zeros(self) -> Iterator[Item]:
        channels = zero_channels(self.bench)
        if not channels:
            words = "the bench measures no airflow"
            yield Item("zero", ItemVerdict.NOT_APPLICABLE, words, ZERO_REASON)
            return
        heard = self._read_without_flow(channels)
        for channel in channels:
            name = f"zero:{channel.name}"
            if is_typed(self.bench, channel):
                about = self._subject(name).about
                yield self._tick(zero_by_eye(name, channel, about))
                continue
            if channel.name in heard:
                item = judge_zero_readings(name, heard[channel.name], channel)
                yield self._kept_figures(item)
                continue
            yield self._kept_zero(name, channel)

    def _read_without_flow(
        self, channels: Sequence[Channel]
    ) -> Mapping[str, list[tuple[float, float]]]:
        """Readings of those whose zero is to be taken now; all are capped and read together."""
        wanted = [c for c in channels if self._wants_zero(c)]
        if not wanted or self.read is None:
            return {}
        shown = " and ".join(c.name for c in wanted)
        question = f"Is the machine off and its inlet capped, so that {shown} has no flow at all?"
        agreed = self.answers.agreed([f"zero:{c.name}" for c in wanted], question)
        taken = [c for c in wanted if f"zero:{c.name}" in agreed]
        if not taken:
            return {}
        meters = {c.instrument: instrument_of(self.bench, c) for c in taken}
        heard = self.read(list(meters.values()))
        return {c.name: _values(heard, c) for c in taken}

    def _wants_zero(self, channel: Channel) -> bool:
        name = f"zero:{channel.name}"
        return not is_typed(self.bench, channel) and self._is_asked(
            name, self._entry(name)
        )

    def _kept_zero(self, name: str, channel: Channel) -> Item:
        entry = self._entry(name)
        known = zero_of_entry(entry) if entry else None
        if entry is None or known is None:
            words = self._not_read("switch the machine off and cap its inlet")
            return Item(name, ItemVerdict.TO_DO, words, ZERO_REASON)
        return _of_day(judge_zero(name, known, channel), entry)

    def _not_read(self, first: str) -> str:
        if self.read is None:
            return f"{_NO_PORT}: {first}, and check without --files-only"
        return f"not read yet: {first}, then say yes"

    # ---- kept

    def _subject(self, name: str) -> Subject:
        return check_subjects(self.bench)[name]

    def _entry(self, name: str) -> Entry | None:
        """What is kept of an item and holds."""
        subject = self._subject(name)
        return self.kept.find(name, subject.about, holds_s=subject.holds_s)

    def _is_asked(self, name: str, entry: Entry | None) -> bool:
        """Whether it was not answered yet, or an option answers it anew."""
        return entry is None or self.answers.is_given(name)

    def _kept_figures(self, item: Item) -> Item:
        """Keep what was measured, unless it was refused or there were too few readings."""
        if item.figures and item.verdict is not ItemVerdict.REFUSED:
            numbers = {
                name: float(value)
                for name, value in item.figures.items()
                if isinstance(value, int | float)
            }
            self._keep(item.name, _MEASURED, numbers)
        return item

    def _keep(
        self,
        name: str,
        answer: str,
        figures: Mapping[str, float] | None = None,
    ) -> Entry:
        """At once, for whoever stops in the middle, and with the time of now."""
        about, utc = self._subject(name).about, self.clock.utc_text()
        self.kept = self.kept.with_entry(name, about, answer, utc, figures)
        save_entries(checks_path(self.store), self.kept.entries)
        return self.kept.entries[-1]


def begin_walk(
    bench: Bench,
    plan: Plan | None,
    *,
    store: Path,
    answers: Answers,
    words: TextIO | None,
    clock: Clock,
) -> Walk:
    """The list of this bench, with what was acknowledged before.

    Args:
        bench: With its lines' paths resolved.
        plan: For it, or None.
        store: Results file.
        answers: From options or from the terminal.
        words: Where to say how long meters are read; None where no port is to be opened.
        clock: At the speed of the meters.

    Raises:
        InputError: If the file of what is kept cannot be read.
    """
    kept = Kept(load_entries(checks_path(store)), clock.utc_text())
    read = None if words is None else _reading(clock, words)
    return Walk(bench, plan, store, answers, read, kept, clock)


def _reading(clock: Clock, words: TextIO) -> Read:
    def read(instruments: Sequence[Instrument]) -> Mapping[str, tuple[Reading, ...]]:
        refresh_s = max(i.profile.refresh_s for i in instruments)
        worst_s = max(i.worst_reply_s for i in instruments)
        # Twice as long as it should take: meters on one line take turns.
        longest_s = worst_s + clock.real_s(2.0 * (LEAST_READINGS + 1) * refresh_s)
        names = ", ".join(dict.fromkeys(i.name for i in instruments))
        words.write(
            f"Reading {names} {LEAST_READINGS} times, for at most {longest_s:.0f} s …\n"
        )
        words.flush()
        distinct = list({i.name: i for i in instruments}.values())
        return asyncio.run(
            read_instruments(
                distinct, clock=clock, count=LEAST_READINGS, seconds=longest_s
            )
        )

    return read


def _values(
    heard: Mapping[str, Iterable[Reading]], channel: Channel
) -> list[tuple[float, float]]:
    """Times and values of a channel, without what was out of range."""
    values = (
        (reading.at_s, reading.values[channel.field_index])
        for reading in heard[channel.instrument]
    )
    return [(at_s, value) for at_s, value in values if value is not None]


def _of_day(item: Item, entry: Entry) -> Item:
    finding = f"{item.finding}; read on {entry.day}"
    return Item(item.name, item.verdict, finding, item.reason, item.figures)
