"""The yardstick of the rule's cost: mean, variance, slope and lag-1 correlation of a sliding window, by running sums.

The cheapest there is in plain Python: a reading in, a reading out, nothing looked at twice. It judges nothing.
"""

import math
from collections import deque
from typing import NamedTuple


class WindowStatistics(NamedTuple):
    """Of the readings in the window.

    Attributes:
        mean: [unit of the readings].
        variance: Of one reading, with n - 1 [same, squared].
        slope: By least squares [same, a reading].
        lag_one: Correlation of neighbours [1]; 0 where nothing varies.
    """

    mean: float
    variance: float
    slope: float
    lag_one: float


class RunningSums:
    """The last `length` readings; sums are relative to the first reading of all, so that little is lost of them."""

    def __init__(self, length: int) -> None:
        self._length = length
        self._kept: deque[float] = deque()
        self._reference = math.nan
        self._sum = self._squares = self._ramp = self._products = 0.0

    def push(self, value: float) -> WindowStatistics | None:
        """Take a reading; None while there are fewer than three."""
        kept = self._kept
        if not kept:
            self._reference = value
        y = value - self._reference
        if len(kept) == self._length:
            self._drop_oldest()
        n = len(kept)
        if n:
            self._products += kept[-1] * y
        self._sum += y
        self._squares += y * y
        self._ramp += n * y
        kept.append(y)
        return self._statistics(n + 1) if n >= 2 else None

    def _drop_oldest(self) -> None:
        kept = self._kept
        oldest = kept.popleft()
        self._sum -= oldest
        self._squares -= oldest * oldest
        self._products -= oldest * kept[0]
        # Every one that is left moves one place forward.
        self._ramp -= self._sum

    def _statistics(self, n: int) -> WindowStatistics:
        total = self._sum
        mean = total / n
        scatter = self._squares - total * mean
        ramp_scatter = n * (n * n - 1) / 12.0
        slope = (self._ramp - 0.5 * (n - 1) * total) / ramp_scatter
        ends = self._kept[0] + self._kept[-1]
        lag = self._products - mean * (2.0 * total - ends) + (n - 1) * mean * mean
        return WindowStatistics(
            self._reference + mean,
            scatter / (n - 1),
            slope,
            lag / scatter if scatter > 0.0 else 0.0,
        )
