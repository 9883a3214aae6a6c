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
_MANY_READINGS = 60
"""With more to look at, all together are quicker than one by one [1]."""

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


class OpenBin:
    """Readings of one bin, in order of arrival.

    Attributes:
        times_s: When they were true [s].
        values: [unit of the channel].
        is_suspect: Whether one of them may be a spike.
    """

    __slots__ = ("is_suspect", "times_s", "values")

    def __init__(self) -> None:
        self.times_s: list[float] = []
        self.values: list[float] = []
        self.is_suspect = False


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
        self._open: dict[int, OpenBin] = {}
        self.next_index = 0

    def feed(self, at_s: float, value: float) -> bool:
        """Place one reading; one that comes after its bin was closed is not used.

        Returns whether its bin is later than those of all readings before: only such a one can complete a bin.
        """
        index = math.floor((at_s - self._start_s) / self._bin_s)
        if index < self.next_index:
            return False
        # Every reading of a session comes this way, so nothing is called and nothing made that need not be.
        open_bin = self._open.get(index)
        if open_bin is None:
            open_bin = self._open[index] = OpenBin()
        open_bin.times_s.append(at_s)
        open_bin.values.append(value)
        open_bin.is_suspect = True
        if index <= self.last_index:
            return False
        self.last_index = index
        return True

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
        open_bin = self._open.get(index)
        if open_bin is None:
            open_bin = self._open[index] = OpenBin()
        open_bin.times_s.extend(times_s)
        open_bin.values.extend(values)
        if suspect:
            open_bin.is_suspect = True

    def close_bin(self) -> Bin:
        """Close the oldest open bin and return it."""
        return self.summarised(self.taken())

    def taken(self) -> OpenBin:
        """Take out the oldest open bin, to be summarised next; suspect only if a reading has to be looked at."""
        found = self._open.pop(self.next_index, None) or OpenBin()
        self.next_index += 1
        suspect = found.is_suspect or self._kept_in_a_row < _RECENT
        found.is_suspect = suspect and not self._has_no_spike(found.values)
        return found

    def with_those_before(self, taken: OpenBin) -> list[float]:
        """The seven readings believed last and those of a bin; empty where there are no seven."""
        return [*self._recent, *taken.values] if len(self._recent) == _RECENT else []

    def summarised(self, taken: OpenBin, far: Sequence[bool] | None = None) -> Bin:
        """The bin of what was taken out.

        `far` tells which readings are far from the seven before them, if that is known, and none of those was a spike.
        """
        values = taken.values
        if taken.is_suspect and (
            far is None or self._kept_in_a_row < _RECENT or True in far
        ):
            return self._despiked(taken, far)
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

    def _despiked(self, taken: OpenBin, far: Sequence[bool] | None) -> Bin:
        values = taken.values
        kept: list[float] = []
        lasted = False
        known = itertools.repeat(None) if far is None else far
        for at_s, value, is_far in zip(taken.times_s, values, known, strict=False):
            if self._is_spike(value, is_far=is_far):
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

    def _is_spike(self, value: float, *, is_far: bool | None) -> bool:
        if self._rejected_in_a_row < _MAX_REJECTED_IN_A_ROW:
            if is_far is None or self._kept_in_a_row < _RECENT:
                # Of the seven before it one was a spike: others were believed last.
                is_far = self._is_far(value)
            if is_far:
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


def close_bins(front_ends: Sequence[FrontEnd]) -> list[Bin]:
    """Close the oldest open bin of each; with many readings to look at they are looked at together."""
    taken = [front_end.taken() for front_end in front_ends]
    suspects = {
        number: of_it
        for number, (front_end, item) in enumerate(zip(front_ends, taken, strict=True))
        if item.is_suspect and (of_it := front_end.with_those_before(item))
    }
    far: dict[int, list[bool]] = {}
    if sum(map(len, suspects.values())) > _MANY_READINGS:
        steps = [
            front_ends[number].resolution
            for number, of_it in suspects.items()
            for _ in of_it
        ]
        values = np.array([*itertools.chain.from_iterable(suspects.values())])
        flags = are_far(values, resolution=np.array(steps[_RECENT:])).tolist()
        begin = 0
        for number, of_it in suspects.items():
            far[number] = flags[begin + _RECENT : begin + len(of_it)]
            begin += len(of_it)
    return [
        front_end.summarised(item, far.get(number))
        for number, (front_end, item) in enumerate(zip(front_ends, taken, strict=True))
    ]


def are_far(
    values: NDArray[np.float64], *, resolution: float | NDArray[np.float64]
) -> NDArray[np.bool_]:
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

    def add(self, items: Iterable[Bin]) -> None:
        """Take the window's next bins."""
        count, total, squares = self.count, self._total, self._squares
        reference = self._reference
        for item in items:
            mean, n = item.mean, item.count
            if mean is None:
                continue
            if not count:
                self._reference = reference = mean
            # Relative to a near value, so that nothing of the scatter is lost.
            away = mean - reference
            count += n
            total += n * away
            squares += item.scatter + n * away * away
            if self._distinct is not None:
                self._note_distinct(item.distinct)
        self.count, self._total, self._squares = count, total, squares

    def _note_distinct(self, values: frozenset[float] | None) -> None:
        known = None if values is None else (self._distinct or set()) | values
        too_many = known is None or len(known) > _MAX_DISTINCT
        self._distinct = None if too_many else known

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
    rounding.add(bins)
    return rounding
