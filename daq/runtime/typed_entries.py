"""What the operator types for a meter without a port, on its way to a reading: asked for, a number, not doubted or confirmed.

A reading is true when it is handed in: between the look at the display and that lie the seconds of typing, in which a
settled machine does not change.
"""

from collections.abc import Callable
from dataclasses import dataclass

from daq.answer_words import taken_back_answer, typed_answer
from daq.config.bench import Bench
from daq.config.typed import TypedMeter
from daq.errors import OperationRefusedError, Refusal
from daq.operations import TakeBack, TypedReading
from daq.records import Reading, TrialResult
from daq.runtime.running import Running
from daq.typed import (
    LEAST_READINGS,
    Asking,
    Entry,
    TakenBack,
    TypedAt,
    doubts_about,
    parse_entry,
)
from daq.wording import (
    sentence,
    shown_value,
)


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading that was typed, and what is said of it."""

    reading: Reading
    words: str


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """A reading that was taken back.

    Attributes:
        taken: Which.
        value: What had been typed [unit of the channel].
        result: The trial as it stands now, where it was averaged already.
        words: What is said of it.
    """

    taken: TakenBack
    value: float
    result: TrialResult | None
    words: str


class TypedEntries:
    """The bench's meters without a port.

    Attributes:
        on_reading: Given each reading that is kept, as if it had come over a wire.
    """

    def __init__(self, bench: Bench, *, on_reading: Callable[[Reading], None]) -> None:
        self.on_reading = on_reading
        self._meters = {meter.channel.name: meter for meter in bench.typed}

    def read(self, running: Running, typed: TypedReading, *, now_s: float) -> Taken:
        """What is to be kept of what was typed.

        Args:
            running: The session in hand.
            typed: As it came.
            now_s: When that was [s].

        Raises:
            OperationRefusedError: If it is not asked for, no reading, or doubted and not confirmed.
        """
        meter, asking = self._asked(running, typed.channel)
        # Where it is not kept, there must be time to type it again.
        running.session.still_typing()
        try:
            entry = parse_entry(typed.text, meter.display)
        except ValueError as exc:
            text = f"{meter.channel.title}: {exc}"
            raise OperationRefusedError(Refusal.NO_READING, text) from exc
        doubts = self._doubts(running, meter, entry)
        if doubts and not typed.as_typed:
            text = f"{meter.channel.title}: is {entry.text} what the display shows? {doubts}"
            raise OperationRefusedError(Refusal.DOUBTED, text)
        reading = Reading(meter.channel.instrument, now_s, (entry.value,))
        shown = shown_value(entry.value, meter.channel.unit, entry.decimals)
        words = typed_answer(
            f"{meter.channel.title}: {shown}", asking.number, LEAST_READINGS
        )
        confirmed = f" Confirmed as the display shows it. {doubts}" if doubts else ""
        return Taken(reading, words + confirmed)

    def take_back(self, running: Running, operation: TakeBack) -> Withdrawn:
        """Let a reading of the trial in hand count no more.

        Raises:
            OperationRefusedError: If there is no such reading.
        """
        meter = self._meter(operation.channel)
        title, name = meter.channel.title, meter.channel.name
        reading = _typed_at(running, meter, operation.at_s)
        result = running.session.take_back(TakenBack(name, reading.at_s))
        decimals = meter.display.decimals
        shown = shown_value(reading.value, meter.channel.unit, decimals)
        count = len(running.session.typed_readings(name))
        words = taken_back_answer(f"{title}: {shown}", count, LEAST_READINGS)
        if result is not None:
            words = f"{words} {_of_the_average(title, name, result)}"
        return Withdrawn(TakenBack(name, reading.at_s), reading.value, result, words)

    def title_of_asked(self, running: Running, channel: str) -> str:
        """Title of a channel that is asked for now.

        Raises:
            OperationRefusedError: If it is not.
        """
        meter, _ = self._asked(running, channel)
        return meter.channel.title

    def _meter(self, channel: str) -> TypedMeter:
        meter = self._meters.get(channel)
        if meter is None:
            known = ", ".join(self._meters) or "none on this bench"
            text = f"no channel {channel!r} is typed, expected one of: {known}"
            raise OperationRefusedError(Refusal.NO_READING, text)
        return meter

    def _asked(self, running: Running, channel: str) -> tuple[TypedMeter, Asking]:
        meter = self._meter(channel)
        asking = running.session.asking()
        if asking is None or asking.channel != channel:
            text = (
                f"{meter.channel.title} is not asked for now; readings are asked for one by one while a trial is averaged,"
                " wait for the next call"
            )
            raise OperationRefusedError(Refusal.NOT_TAKEN, text)
        return meter, asking

    def _doubts(self, running: Running, meter: TypedMeter, entry: Entry) -> str:
        """In sentences; empty where there are none."""
        name = meter.channel.name
        doubts = doubts_about(
            entry,
            meter.display,
            neighbours=[r.value for r in running.session.typed_readings(name)],
            earlier=running.means_of(name),
        )
        return " ".join(sentence(doubt) for doubt in doubts)


def _typed_at(running: Running, meter: TypedMeter, at_s: float | None) -> TypedAt:
    """The reading of a channel that is meant.

    Raises:
        OperationRefusedError: If it is not there.
    """
    title = meter.channel.title
    if running.session.trial() is None:
        text = (
            f"{title}: no trial is in hand, a reading can be taken back only until the machine is switched off;"
            " carry out the trial once more in place of the one that it is in"
        )
        raise OperationRefusedError(Refusal.NOT_TAKEN, text)
    readings = running.session.typed_readings(meter.channel.name)
    meant = [r for r in readings if at_s is None or r.at_s == at_s]
    if not meant:
        there = "no such reading" if readings else "no reading"
        text = f"{title}: {there} counts in the trial in hand, so there is nothing to take back"
        raise OperationRefusedError(Refusal.NOT_TAKEN, text)
    return meant[-1]


def _of_the_average(title: str, channel: str, result: TrialResult) -> str:
    """What became of an average that a reading was taken out of."""
    if any(average.channel == channel for average in result.averages):
        return "Its average is made anew without it."
    return (
        f"Too few are left for an average of {title}:"
        " the trial can be repeated, and both trials count."
    )
