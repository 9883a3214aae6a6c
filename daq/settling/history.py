"""The last bins of every channel, as objects and as one array, in bounded memory."""

import math
from collections import deque
from collections.abc import Mapping, Sequence
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from daq.settling.front_end import Bin

_ROOM = 4
"""The array holds this many times what is kept, so that it is moved to its front only now and then."""


class BinHistory:
    """Bins of several channels, numbered from switch-on."""

    def __init__(self, names: Sequence[str], *, kept: int) -> None:
        self.closed = 0
        self._rows = {name: row for row, name in enumerate(names)}
        self._kept = kept
        self._bins: dict[str, deque[Bin]] = {name: deque(maxlen=kept) for name in names}
        self._means = np.full((len(names), _ROOM * kept), np.nan)
        self._used = 0

    def add(self, items: Mapping[str, Bin]) -> None:
        """Take the next bin of every channel."""
        if self._used == self._means.shape[1]:
            self._means[:, : self._kept] = self._means[:, -self._kept :]
            self._used = self._kept
        means = []
        for name, bins in self._bins.items():
            item = items[name]
            bins.append(item)
            means.append(math.nan if item.mean is None else item.mean)
        self._means[:, self._used] = means
        self._used += 1
        self.closed += 1

    def newest(self, name: str) -> Bin:
        """The bin closed last."""
        return self._bins[name][-1]

    def bins_from(self, name: str, first: int) -> list[Bin]:
        """Bins from the given number on, as far back as they are kept."""
        newest_first = islice(reversed(self._bins[name]), max(0, self.closed - first))
        return list(newest_first)[::-1]

    def newest_bins(self, name: str, count: int) -> list[Bin]:
        """The last so many bins."""
        return self.bins_from(name, self.closed - count)

    def means(self, names: Sequence[str], first: int) -> NDArray[np.float64]:
        """Means from the given number on, NaN where missing. Shape (channels, bins).

        Raises:
            ValueError: If they are no longer kept.
        """
        count = self.closed - first
        if count > min(self._kept, self._used):
            msg = f"bin {first} of {self.closed}, expected one of the last {self._kept}"
            raise ValueError(msg)
        rows = [self._rows[name] for name in names]
        return self._means[rows, self._used - count : self._used]
