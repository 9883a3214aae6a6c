"""The typed readings of one trial: whether they are enough for a window, and what they come to over it.

Only readings move it, never the clock: re-analysis hands it the same readings in the same order and gets the same answers.
"""

from collections.abc import Mapping, Sequence

from daq.records import Window
from daq.settling.level import LevelEstimate
from daq.typed.entry import Display, strays_among
from daq.typed.level import level_from_typed

LEAST_READINGS = 5
"""Fewer make no average [1]."""


class TypedReadings:
    """Readings by channel, of the channels that are typed."""

    def __init__(self, channels: Sequence[str]) -> None:
        """None so far."""
        self._by_channel: dict[str, list[tuple[float, float]]] = {
            name: [] for name in channels
        }

    def __contains__(self, channel: object) -> bool:
        return channel in self._by_channel

    def take(self, channel: str, at_s: float, value: float) -> None:
        """Keep one reading."""
        self._by_channel[channel].append((at_s, value))

    def values(self, channel: str) -> tuple[float, ...]:
        """Everything typed of a channel so far [unit of the channel]."""
        return tuple(value for _, value in self._by_channel[channel])

    def counts(self, window: Window | None) -> dict[str, int]:
        """Readings since a window's beginning, by channel [1]; none without a window."""
        if window is None:
            return dict.fromkeys(self._by_channel, 0)
        return {
            name: sum(at_s >= window.start_s for at_s, _ in readings)
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
        count = len(self._within(channel, window))
        return f"too few typed readings: {count} of {LEAST_READINGS}"

    def _within(self, channel: str, window: Window) -> list[float]:
        return [
            value
            for at_s, value in self._by_channel[channel]
            if window.start_s <= at_s <= window.end_s
        ]
