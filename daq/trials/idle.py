"""What meters read while the machine is off: their zeros, for the channels that ask for it.

A zero holds for one trial: it comes from the last stretch before its switch-on, and not from the machine's running
down after the trial before. The stretch is kept with the trial, so that it can be taken from the stored readings
again. Where nobody knows that the machine was off (a start given by hand) there is none.
"""

from collections import deque
from collections.abc import Iterable

from daq.records import Channel, Window

LONGEST_S = 60.0
"""No more than this is averaged: what drifts is to be known as it was just before the trial [s]."""
RUN_DOWN_S = 15.0
"""So long after switch-off an impeller may still move air [s]."""
GUARD_S = 2.0
"""So long before the current is seen to rise, nothing counts as idle [s]."""
_SLACK_S = 10.0
"""Readings may come so much later than others of the same moment [s]."""


class IdleReadings:
    """Keeps the last idle readings of some channels, and hands them over for the trial that begins."""

    def __init__(self, channels: Iterable[Channel]) -> None:
        self._readings: dict[str, deque[tuple[float, float]]] = {
            channel.name: deque() for channel in channels if channel.subtract_idle
        }
        self._earliest_s: float | None = None
        self.window: Window | None = None

    def machine_off(self, at_s: float, *, known_s: float) -> None:
        """The machine was switched off at `at_s` [s], which was known at `known_s` [s]."""
        self.forget()
        self._earliest_s = max(at_s + RUN_DOWN_S, known_s + 1.0)

    def forget(self) -> None:
        """Nobody knows whether the machine is off."""
        for readings in self._readings.values():
            readings.clear()
        self._earliest_s = self.window = None

    def machine_on(self, at_s: float) -> None:
        """The machine was switched on [s]: the window is fixed."""
        end_s = at_s - GUARD_S
        earliest_s = self._earliest_s
        if self._readings and earliest_s is not None and earliest_s < end_s:
            self.window = Window(max(earliest_s, end_s - LONGEST_S), end_s)
        self._earliest_s = None

    def feed(self, channel: str, at_s: float, value: float) -> None:
        """Take a reading; it may come after the switch-on and still be from before it."""
        readings = self._readings.get(channel)
        if readings is None:
            return
        if self.window is not None:
            if at_s <= self.window.end_s:
                readings.append((at_s, value))
        elif self._earliest_s is not None:
            readings.append((at_s, value))
            while readings[0][0] < at_s - GUARD_S - LONGEST_S - _SLACK_S:
                readings.popleft()

    def values(self) -> dict[str, list[float]]:
        """Readings inside the window, by channel; empty where there is none."""
        window = self.window
        if window is None:
            return {}
        return {
            channel: [
                v for at_s, v in readings if window.start_s <= at_s <= window.end_s
            ]
            for channel, readings in self._readings.items()
        }
