"""What a meter makes of a machine: averaging, refreshing, noise, steps of the display, readings that do not come.

All meters begin with the machine on the fine grid, as it is, in the channel's unit.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.startups.shapes import Array
from tests.startups.unrest import GRID_S


@dataclass(frozen=True, slots=True)
class RangeChange:
    """A change to a coarser range: when (after switch-on), how much coarser, and the ranges' disagreement."""

    at_s: float
    factor: float
    gain: float


@dataclass(frozen=True, slots=True)
class Meter:
    """A meter as it is polled.

    Attributes:
        poll_hz: Readings asked for [1/s].
        step: Step of the display [unit].
        noise: White noise of a shown value [unit].
        refresh_s: A new value only so often; 0: at every poll.
        averaging_s: Length of the meter's own running mean; 0: none.
        jitter: Poll times scatter by this share of the spacing [1].
        missing: Share of readings that do not come, in stretches [1].
        dead_band: The value shown moves only when it would move by more [unit].
        range_change: To a coarser range, once.
    """

    poll_hz: float
    step: float
    noise: float
    refresh_s: float = 0.0
    averaging_s: float = 0.0
    jitter: float = 0.0
    missing: float = 0.0
    dead_band: float = 0.0
    range_change: RangeChange | None = None

    @property
    def stated_resolution(self) -> float:
        """What a careful owner would state: the coarser range's step, or the dead band."""
        factor = self.range_change.factor if self.range_change else 1.0
        return max(self.step * factor, self.dead_band)

    def read(
        self, generator: np.random.Generator, machine: Array, on_s: float
    ) -> tuple[Array, Array]:
        """Times [s] and values of the readings that came."""
        times_s = self._poll_times(generator, machine.size * GRID_S)
        values = self._shown(generator, self._inside(machine, on_s), times_s, on_s)
        if self.dead_band > 0.0:
            values = _held_within(values, self.dead_band)
        steps = np.full(times_s.size, self.step)
        if self.range_change is not None:
            steps[times_s >= on_s + self.range_change.at_s] *= self.range_change.factor
        values = np.round(np.round(values / steps) * steps, 9)
        kept = self._came(generator, times_s.size)
        return times_s[kept], values[kept]

    def _poll_times(self, generator: np.random.Generator, length_s: float) -> Array:
        times_s = np.arange(int(length_s * self.poll_hz)) / self.poll_hz
        if self.jitter > 0.0:
            times_s += generator.uniform(-0.5, 0.5, times_s.size) * (
                self.jitter / self.poll_hz
            )
        # As a file shows them; sorted, since no clock runs backwards.
        return np.unique(np.round(np.maximum(times_s, 0.0), 3))

    def _inside(self, machine: Array, on_s: float) -> Array:
        if self.range_change is None:
            return machine
        at = int((on_s + self.range_change.at_s) / GRID_S)
        inside = machine.copy()
        inside[at:] *= 1.0 + self.range_change.gain
        return inside

    def _shown(
        self, generator: np.random.Generator, inside: Array, times_s: Array, on_s: float
    ) -> Array:
        at = np.minimum((times_s / GRID_S).astype(int), inside.size - 1)
        if self.averaging_s > 0.0:
            # Noise goes in before the mean; scaled so that what is shown scatters by `noise`.
            width = max(1, round(self.averaging_s / GRID_S))
            running = np.arange(inside.size) * GRID_S >= on_s
            noise = generator.normal(0.0, self.noise * np.sqrt(width), inside.size)
            return _running_mean(inside + noise * running, width)[at]
        if self.refresh_s > 0.0:
            return self._held(generator, inside, times_s, on_s)
        noise = generator.normal(0.0, self.noise, times_s.size)
        return inside[at] + noise * (times_s >= on_s)

    def _held(
        self, generator: np.random.Generator, inside: Array, times_s: Array, on_s: float
    ) -> Array:
        """Mean of the last whole refresh interval, with noise of its own."""
        width = round(self.refresh_s / GRID_S)
        count = inside.size // width
        means = inside[: count * width].reshape(count, width).mean(axis=1)
        running = np.arange(count) * self.refresh_s >= on_s
        means += generator.normal(0.0, self.noise, count) * running
        shown = np.concatenate([[0.0], means])
        return shown[np.minimum((times_s / self.refresh_s).astype(int), count)]

    def _came(self, generator: np.random.Generator, count: int) -> NDArray[np.bool_]:
        came = np.ones(count, dtype=bool)
        while count - int(came.sum()) < self.missing * count:
            first = int(generator.integers(0, count - 1))
            stretch = int(generator.integers(1, max(2, int(15 * self.poll_hz))))
            came[first : first + stretch] = False
        return came


def _running_mean(values: Array, width: int) -> Array:
    sums = np.concatenate([[0.0], np.cumsum(values)])
    last = np.arange(1, values.size + 1)
    first = np.maximum(last - width, 0)
    means: Array = (sums[last] - sums[first]) / (last - first)
    return means


def _held_within(values: Array, dead_band: float) -> Array:
    shown = []
    last = float(values[0])
    for value in values.tolist():
        if abs(value - last) > dead_band:
            last = value
        shown.append(last)
    return np.array(shown)
