"""Spikes out, readings into bins of equal time, for one channel.

Correlation between the bins' means stands for everything that makes readings less than independent: a display
that refreshes slowly, a meter's own averaging, unequal poll times. Equal readings are never dropped for being equal:
that would bias the mean of rounded readings.
"""

import itertools
import math
from collections import deque
from dataclasses import dataclass

_RECENT = 7
_MAX_REJECTED_IN_A_ROW = 2
_MAX_DISTINCT = 12


@dataclass(frozen=True, slots=True)
class Bin:
    """What one stretch of time held.

    Attributes:
        mean: None where no reading fell into it.
        count: [1] readings.
        total: Sum of the readings.
        scatter: Sum of their squared deviations from the bin's mean.
        distinct: The different values, or None where there are more than twelve.
    """

    mean: float | None
    count: int = 0
    total: float = 0.0
    scatter: float = 0.0
    distinct: frozenset[float] | None = frozenset()


def bin_of(values: list[float]) -> Bin:
    """Summarise the readings of one bin."""
    if not values:
        return Bin(None)
    first, n = values[0], len(values)
    mean = math.fsum(values) / n
    total = math.fsum(value - first for value in values) + n * first
    scatter = math.fsum((value - mean) ** 2 for value in values)
    distinct = frozenset(values)
    return Bin(
        mean, n, total, scatter, distinct if len(distinct) <= _MAX_DISTINCT else None
    )


class FrontEnd:
    """Takes one channel's readings in order of time; gives its bins one by one.

    A reading further than max(8 robust standard deviations, 4 steps, 2 %) from the median of the last
    seven is a spike; more than two spikes in a row are a step and are believed.
    """

    def __init__(self, *, resolution: float, start_s: float, bin_s: float) -> None:
        self.rejected = 0
        self.last_index = -1
        self._resolution = resolution
        self._start_s = start_s
        self._bin_s = bin_s
        self._recent: deque[float] = deque(maxlen=_RECENT)
        self._rejected_in_a_row = 0
        self._open: dict[int, list[float]] = {}
        self._next = 0

    def feed(self, at_s: float, value: float) -> None:
        """Place one reading; one that comes after its bin was closed is not used."""
        index = math.floor((at_s - self._start_s) / self._bin_s)
        self.last_index = max(self.last_index, index)
        if index < self._next:
            return
        if self._is_spike(value):
            self.rejected += 1
            return
        self._open.setdefault(index, []).append(value)

    def close_bin(self) -> Bin:
        """Close the oldest open bin and return it."""
        values = self._open.pop(self._next, [])
        self._next += 1
        return bin_of(values)

    def _is_spike(self, value: float) -> bool:
        if (
            len(self._recent) == _RECENT
            and self._rejected_in_a_row < _MAX_REJECTED_IN_A_ROW
        ):
            middle = _RECENT // 2
            median = sorted(self._recent)[middle]
            deviation = sorted(abs(x - median) for x in self._recent)[middle]
            limit = max(
                8.0 * 1.4826 * deviation, 4.0 * self._resolution, 0.02 * abs(median)
            )
            if abs(value - median) > limit:
                self._rejected_in_a_row += 1
                return True
        self._rejected_in_a_row = 0
        self._recent.append(value)
        return False


def undithered_step(bins: list[Bin], resolution: float) -> tuple[float, float]:
    """Scatter of the single readings, and the step that their display really has.

    Args:
        bins: Of one window; at least one holds a reading.
        resolution: Step that the profile states [unit of the readings].

    Returns:
        Standard deviation of the readings, and the larger of the stated step and the smallest
        difference seen (looked for only where there are few distinct values).
    """
    n = sum(b.count for b in bins)
    mean = math.fsum(b.total for b in bins) / n
    variance = (
        math.fsum(
            b.scatter + b.count * (b.mean - mean) ** 2
            for b in bins
            if b.mean is not None
        )
        / n
    )
    step = resolution
    seen: set[float] = set()
    for b in bins:
        if b.distinct is None or len(seen | b.distinct) > _MAX_DISTINCT:
            return math.sqrt(variance), step
        seen |= b.distinct
    ordered = sorted(seen)
    differences = [high - low for low, high in itertools.pairwise(ordered)]
    return math.sqrt(variance), max(
        [step, *([min(differences)] if differences else [])]
    )
