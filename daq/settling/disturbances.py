"""Jumps and excursions: what no decay and no noise explains, and how long it must have been quiet afterwards.

A load that comes and goes looks settled between two of its visits. Nothing in the quiet stretch tells; what came before does. So
every disturbance since the run-up is remembered, and a window counts only if it has outlasted the time between two.
"""

import math
from bisect import bisect_left, insort
from collections import deque
from collections.abc import Sequence

from daq.settling.front_end import Bin
from daq.settling.parameters import Parameters

_BEFORE = 5
_LAG = 3
_CHANGES = 20
_LEAST_DIFFERENCES = 5
_ONE_STEP = 1.000001
"""Of the display; the means of its readings are rounded."""
_ONE_DISTURBANCE_BINS = 8
"""What happens within so many bins is one disturbance: a dip jumps down and up."""


class JumpWatch:
    """Looks at one channel's bins for what departs from its neighbours."""

    def __init__(
        self, *, tolerance: float, resolution: float, parameters: Parameters
    ) -> None:
        self.is_flicker = True
        """Whether none of its jumps was more than the display going on by one step."""
        self._tolerance = tolerance
        self._half_step = resolution / 2.0
        self._jump = parameters.jump
        self._jump_noise = parameters.jump_noise
        self._step = resolution
        self._means: deque[float | None] = deque(maxlen=_BEFORE + 1)
        self._changes: deque[float | None] = deque()
        self._ordered: list[float] = []
        """The changes that are there, from the smallest on."""

    def sees_jump(self, item: Bin) -> bool:
        """Take the next bin; True where it departs from the bins before it.

        Two bins are held against the mean of the five before them, an excursion by itself. What is a departure follows
        from the tolerance and from the noise: the median of the changes over three bins, which neither a
        slow drift nor single bins can raise.
        """
        earlier = list(self._means)
        self._note_change(earlier)
        self._means.append(item.mean)
        last = earlier.pop() if earlier else None
        before = [mean for mean in earlier if mean is not None]
        if item.mean is None or not before:
            return False
        level = math.fsum(before) / len(before)
        if item.excursion is not None:
            departure = 0.7 * abs(item.excursion - level)
        elif last is not None:
            departure = abs(0.5 * (item.mean + last) - level)
        else:
            return False
        limit = max(self._tolerance * abs(level), self._half_step)
        if departure <= self._jump * limit:
            return False
        noise = self._noise()
        if noise is None or departure <= self._jump_noise * noise:
            return False
        if departure > self._step * _ONE_STEP:
            self.is_flicker = False
        return True

    def _note_change(self, means: Sequence[float | None]) -> None:
        """Take in the change over three bins that ends with the last of these."""
        if len(means) <= _LAG:
            return
        new, old = means[-1], means[-1 - _LAG]
        change = None if new is None or old is None else abs(new - old)
        self._changes.append(change)
        if change is not None:
            insort(self._ordered, change)
        if len(self._changes) > _CHANGES:
            gone = self._changes.popleft()
            if gone is not None:
                del self._ordered[bisect_left(self._ordered, gone)]

    def _noise(self) -> float | None:
        """Standard deviation of a mean of two bins less that of five; None while it cannot be told."""
        n = len(self._ordered)
        if n < _LEAST_DIFFERENCES:
            return None
        median = 0.5 * (self._ordered[(n - 1) // 2] + self._ordered[n // 2])
        # Of a normal difference the median is 0.954 standard deviations of one; few changes tell it badly.
        return 0.87 * median / 0.954 * (1.0 + 4.0 / n)


class DisturbanceLog:
    """Remembers when disturbances happened, of all channels together."""

    def __init__(self, parameters: Parameters, *, bin_s: float) -> None:
        self.count = 0
        self._bin_s = bin_s
        self._parameters = parameters
        self._first_bin = 0
        self._last_bin = 0
        self._longest_gap = 0

    def begin(self, first_bin: int) -> None:
        """The run-up is over."""
        self._first_bin = first_bin

    def add(self, at_bin: int) -> None:
        """A channel was disturbed in this bin."""
        if self.count == 0:
            self.count = 1
            self._longest_gap = at_bin - self._first_bin
        elif at_bin - self._last_bin > _ONE_DISTURBANCE_BINS:
            # The time before the first is no time between two.
            known = self._longest_gap if self.count > 1 else 0
            self._longest_gap = max(known, at_bin - self._last_bin)
            self.count += 1
        self._last_bin = at_bin

    def quiet_s(self) -> float:
        """How long a window must be that can be trusted [s]."""
        p = self._parameters
        if self.count == 0:
            return 0.0
        factor = p.quiet_after_one if self.count == 1 else p.quiet_after_more
        return max(factor * self._longest_gap * self._bin_s, p.quiet_least_s)
