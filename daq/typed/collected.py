"""The typed readings of one trial: whether they are enough for a window, and what they come to over it.

Only readings move it, never the clock: re-analysis hands it the same readings in the same order and gets the same answers.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daq.records import Window
from daq.settling.level import LevelEstimate
from daq.typed.entry import Display, strays_among
from daq.typed.level import level_from_typed

LEAST_READINGS = 5
"""Fewer make no average [1]."""


@dataclass(frozen=True, slots=True)
class TypedAt:
    """A reading that was typed.

    Attributes:
        at_s: When [s].
        value: [unit of the channel].
    """

    at_s: float
    value: float


@dataclass(frozen=True, slots=True)
class TakenBack:
    """Which typed reading shall not count.

    Attributes:
        channel: Whose.
        at_s: When it was typed [s].
    """

    channel: str
    at_s: float


class TypedReadings:
    """Readings by channel, of the channels that are typed."""

    def __init__(self, channels: Sequence[str]) -> None:
        """None so far."""
        self._by_channel: dict[str, list[TypedAt]] = {name: [] for name in channels}

    def __contains__(self, channel: object) -> bool:
        return channel in self._by_channel

    def take(self, channel: str, at_s: float, value: float) -> None:
        """Keep one reading."""
        self._by_channel[channel].append(TypedAt(at_s, value))

    def take_back(self, taken: TakenBack) -> None:
        """Drop one reading, as if it had not been typed; what is not there is passed over."""
        self._by_channel[taken.channel] = [
            reading
            for reading in self._by_channel[taken.channel]
            if reading.at_s != taken.at_s
        ]

    def readings(self, channel: str) -> tuple[TypedAt, ...]:
        """Everything typed of a channel so far that was not taken back, in the order of typing."""
        return tuple(self._by_channel[channel])

    def counts(self, window: Window | None) -> dict[str, int]:
        """Readings since a window's beginning, by channel [1]; none without a window."""
        if window is None:
            return dict.fromkeys(self._by_channel, 0)
        return {
            name: sum(reading.at_s >= window.start_s for reading in readings)
            for name, readings in self._by_channel.items()
        }

    def is_awaited(self, window: Window) -> bool:
        """Whether a channel has too few readings in a window for an average."""
        return any(
            len(self._within(name, window)) < LEAST_READINGS
            for name in self._by_channel
        )

    def levels(
        self,
        window: Window,
        resolutions: Mapping[str, float],
        *,
        relative_drift: float,
    ) -> dict[str, LevelEstimate]:
        """Levels over a window, of the channels that have readings enough.

        Args:
            window: That is averaged [s].
            resolutions: The displays' steps, by channel [unit of the channel].
            relative_drift: Standard uncertainty of a drift that the window may still hold [1].
        """
        within = {name: self._within(name, window) for name in self._by_channel}
        return {
            name: level_from_typed(
                values, resolution=resolutions[name], relative_drift=relative_drift
            )
            for name, values in within.items()
            if len(values) >= LEAST_READINGS
        }

    def notes_of_strays(
        self, window: Window, resolutions: Mapping[str, float]
    ) -> list[str]:
        """What is to be said of averages that hold a reading far from the others, which was confirmed when it was typed.

        Args:
            window: That is averaged [s].
            resolutions: The displays' steps, by channel [unit of the channel].
        """
        notes = []
        for name in self._by_channel:
            values = self._within(name, window)
            display = Display(name, resolutions[name])
            strays = strays_among(values, display)
            if strays and len(values) >= LEAST_READINGS:
                are = "one typed reading is" if len(strays) == 1 else f"{len(strays)} typed readings are"  # fmt: skip
                shown = ", ".join(map(display.shown, strays))
                notes.append(f"{name}: {are} far from the others: {shown}")
        return notes

    def shortage(self, channel: str, window: Window) -> str:
        """What is to be said of a channel without an average."""
        count = self.count(channel, window)
        return f"too few typed readings: {count} of {LEAST_READINGS}"

    def count(self, channel: str, window: Window) -> int:
        """Readings of a channel in a window [1]."""
        return len(self._within(channel, window))

    def _within(self, channel: str, window: Window) -> list[float]:
        return [
            reading.value
            for reading in self._by_channel[channel]
            if window.start_s <= reading.at_s <= window.end_s
        ]
