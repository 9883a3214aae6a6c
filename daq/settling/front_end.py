"""Spikes out, readings into bins of equal time, for one channel.

Correlation between the bins' means stands for everything that makes readings less than independent: a display
that refreshes slowly, a meter's own averaging, unequal poll times. Equal readings are never dropped for being equal:
that would bias the mean of rounded readings.
"""

import itertools
import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from daq.stats import undithered_half_step

_RECENT = 7
_MAX_REJECTED_IN_A_ROW = 2
_MAX_DISTINCT = 12
_EXCURSION_S = 0.9
"""Readings that are off for so long are no spike: a single sample cannot span it."""


@dataclass(frozen=True, slots=True)
class Bin:
    """What one stretch of time held.

    Attributes:
        mean: Without spikes; None where no reading is left.
        count: [1] readings.
        scatter: Sum of their squared deviations from the bin's mean.
        distinct: The different values, or None where there are more than twelve.
        spikes: [1] readings left out.
        excursion: Mean with the readings left out, where these lasted too long to be a spike.
    """

    mean: float | None
    count: int = 0
    scatter: float = 0.0
    distinct: frozenset[float] | None = frozenset()
    spikes: int = 0
    excursion: float | None = None


def bin_of(
    values: Sequence[float], *, spikes: int = 0, excursion: float | None = None
) -> Bin:
    """Summarise the readings of one bin."""
    if not values:
        return Bin(None, spikes=spikes, excursion=excursion)
    n = len(values)
    mean = math.fsum(values) / n
    scatter = math.fsum([(value - mean) ** 2 for value in values])
    distinct = frozenset(values)
    seen = distinct if len(distinct) <= _MAX_DISTINCT else None
    return Bin(mean, n, scatter, seen, spikes, excursion)


class FrontEnd:
    """Takes one channel's readings in order of time; gives its bins one by one.

    A reading further than max(8 robust standard deviations, 4 steps, 2 %) from the median of the last
    seven is a spike; more than two spikes in a row are a step and are believed.
    """

    def __init__(self, *, resolution: float, start_s: float, bin_s: float) -> None:
        self.last_index = -1
        self.resolution = resolution
        self._start_s = start_s
        self._bin_s = bin_s
        self._recent: deque[float] = deque(maxlen=_RECENT)
        self._off_since_s = 0.0
        self._off_sign = 0
        self._rejected_in_a_row = 0
        self._kept_in_a_row = 0
        self._open: dict[int, tuple[list[float], list[float]]] = {}
        self._suspect: set[int] = set()
        self.next_index = 0

    def feed(self, at_s: float, value: float) -> None:
        """Place one reading; one that comes after its bin was closed is not used."""
        self.feed_bin(math.floor((at_s - self._start_s) / self._bin_s), [at_s], [value])

    def feed_bin(
        self,
        index: int,
        times_s: Sequence[float],
        values: Sequence[float],
        *,
        suspect: bool = True,
    ) -> None:
        """Place readings that fall into one bin, numbered from switch-on; a closed one takes no more.

        `suspect` is False where none of them is far from the seven readings before it, as `are_far` says.
        """
        if index < self.next_index:
            return
        self.last_index = max(self.last_index, index)
        open_times_s, open_values = self._open.setdefault(index, ([], []))
        open_times_s.extend(times_s)
        open_values.extend(values)
        if suspect:
            self._suspect.add(index)

    def close_bin(self) -> Bin:
        """Close the oldest open bin and return it."""
        index = self.next_index
        times_s, values = self._open.pop(index, ([], []))
        self.next_index += 1
        suspect = index in self._suspect or self._kept_in_a_row < _RECENT
        self._suspect.discard(index)
        if suspect and not self._has_no_spike(values):
            return self._despiked(times_s, values)
        if values:
            self._rejected_in_a_row = self._off_sign = 0
            self._kept_in_a_row += len(values)
            self._recent.extend(values[-_RECENT:])
        return bin_of(values)

    def _has_no_spike(self, values: list[float]) -> bool:
        """Whether they lie so close together that the test of each could not fail."""
        if not values or len(self._recent) < _RECENT:
            return not values
        low, high = min(values), max(values)
        low, high = min(low, *self._recent), max(high, *self._recent)
        least = min(abs(low), abs(high)) if low * high > 0.0 else 0.0
        return high - low <= max(4.0 * self.resolution, 0.02 * least)

    def _despiked(self, times_s: list[float], values: list[float]) -> Bin:
        kept: list[float] = []
        lasted = False
        for at_s, value in zip(times_s, values, strict=True):
            if self._is_spike(value):
                lasted = self._is_excursion(at_s, value) or lasted
            else:
                self._off_sign = 0
                kept.append(value)
        excursion = math.fsum(values) / len(values) if lasted else None
        return bin_of(kept, spikes=len(values) - len(kept), excursion=excursion)

    def _is_excursion(self, at_s: float, value: float) -> bool:
        sign = 1 if value > self._recent[-1] else -1
        if sign != self._off_sign:
            self._off_since_s, self._off_sign = at_s, sign
        return at_s - self._off_since_s >= _EXCURSION_S

    def _is_spike(self, value: float) -> bool:
        if self._rejected_in_a_row < _MAX_REJECTED_IN_A_ROW and self._is_far(value):
            self._rejected_in_a_row += 1
            self._kept_in_a_row = 0
            return True
        self._rejected_in_a_row = 0
        self._kept_in_a_row += 1
        self._recent.append(value)
        return False

    def _is_far(self, value: float) -> bool:
        """Whether it is further from the last readings than their scatter and their display let expect."""
        if len(self._recent) < _RECENT:
            return False
        a, b, c, median, e, f, g = sorted(self._recent)
        distance = abs(value - median)
        if distance <= max(4.0 * self.resolution, 0.02 * abs(median)):
            return False
        # The median of the seven distances, of which one is 0, from both sides at once.
        deviation = min(
            median - a,
            max(median - b, e - median),
            max(median - c, f - median),
            g - median,
        )
        return distance > 8.0 * 1.4826 * deviation


def are_far(values: NDArray[np.float64], *, resolution: float) -> NDArray[np.bool_]:
    """Which of many readings are far from the seven before them, by the front end's own test; the first seven may be.

    Args:
        values: In order of time [unit of the channel]. Shape (n,).
        resolution: The display's step [same].
    """
    far = np.ones(len(values), np.bool_)
    if len(values) <= _RECENT:
        return far
    before = sliding_window_view(values, _RECENT)[:-1]
    a, b, c, median, e, f, g = np.sort(before, axis=1).T
    distance = np.abs(values[_RECENT:] - median)
    inner = np.minimum(
        np.maximum(median - b, e - median), np.maximum(median - c, f - median)
    )
    deviation = np.minimum(np.minimum(median - a, inner), g - median)
    far[_RECENT:] = (distance > np.maximum(4.0 * resolution, 0.02 * np.abs(median))) & (
        distance > 8.0 * 1.4826 * deviation
    )
    return far


class Rounding:
    """What a display's rounding may hide over a window, bin by bin at constant cost."""

    def __init__(self, resolution: float) -> None:
        self._resolution = resolution
        self._reference = 0.0
        self.count = 0
        self._total = 0.0
        self._squares = 0.0
        self._distinct: set[float] | None = set()

    def add(self, item: Bin) -> None:
        """Take the window's next bin."""
        if item.mean is None:
            return
        if not self.count:
            self._reference = item.mean
        # Relative to a near value, so that nothing of the scatter is lost.
        away = item.mean - self._reference
        self.count += item.count
        self._total += item.count * away
        self._squares += item.scatter + item.count * away * away
        if self._distinct is not None and item.distinct is not None:
            self._distinct |= item.distinct
        if item.distinct is None or len(self._distinct or ()) > _MAX_DISTINCT:
            self._distinct = None

    def scatter(self) -> float:
        """Standard deviation of the single readings [unit of the readings]."""
        mean = self._total / self.count
        return math.sqrt(max(self._squares / self.count - mean * mean, 0.0))

    def step(self) -> float:
        """The larger of the stated step and the smallest difference seen, looked for among few values [same]."""
        ordered = sorted(self._distinct or ())
        seen = min((b - a for a, b in itertools.pairwise(ordered)), default=0.0)
        return max(self._resolution, seen)

    def half_step(self) -> float:
        """How far rounding may hide the truth, Q of `undithered_half_step` [same]; of a window with readings."""
        return undithered_half_step(self.scatter(), self.step())


def rounding_of(bins: Iterable[Bin], resolution: float) -> Rounding:
    """Of all these bins together.

    Args:
        bins: Of one window.
        resolution: Step that the profile states [unit of the readings].
    """
    rounding = Rounding(resolution)
    for item in bins:
        rounding.add(item)
    return rounding
