"""What the operator types for a meter without a port, on its way to a reading: asked for, a number, not doubted or confirmed.

A reading is true when it is handed in: between the look at the display and that lie the seconds of typing, in which a
settled machine does not change.
"""

from collections.abc import Callable
from dataclasses import dataclass

from daq.config.bench import Bench
from daq.config.typed import TypedMeter
from daq.errors import OperationRefusedError, Refusal
from daq.operations import TypedReading
from daq.records import Reading
from daq.runtime.running import Running
from daq.typed import LEAST_READINGS, Asking, Entry, doubts_about, parse_entry
from daq.wording import sentence, shown_value, typed_answer


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading that was typed, and what is said of it."""

    reading: Reading
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

    def title_of_asked(self, running: Running, channel: str) -> str:
        """Title of a channel that is asked for now.

        Raises:
            OperationRefusedError: If it is not.
        """
        meter, _ = self._asked(running, channel)
        return meter.channel.title

    def _asked(self, running: Running, channel: str) -> tuple[TypedMeter, Asking]:
        meter = self._meters.get(channel)
        if meter is None:
            known = ", ".join(self._meters) or "none on this bench"
            text = f"no channel {channel!r} is typed, expected one of: {known}"
            raise OperationRefusedError(Refusal.NO_READING, text)
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
            neighbours=running.session.typed_values(name),
            earlier=running.means_of(name),
        )
        return " ".join(sentence(doubt) for doubt in doubts)
