"""Sums over the newest 1, 2, 3 … bins of several channels: what every window's regression is made of.

Every sum is a sum of terms relative to the newest bin, made anew at each bin: nothing is ever subtracted, so no rounding
error can grow, however long a session lasts. Where no bin is missing, half of the sums are the same for all channels and for ever.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TimeSums:
    """Sums that do not depend on what the bins hold; of shape (1, n), or (channels, n) where bins are missing.

    Attributes:
        n: Bins that are there [1].
        g: Of their growths [1].
        gg: Of these squared [1].
        pairs: Neighbours that are both there [1].
        pair_g: Of these, g + g' [1].
        pair_gg: Likewise, gg' [1].
    """

    n: _Array
    g: _Array
    gg: _Array
    pairs: _Array
    pair_g: _Array
    pair_gg: _Array

    def over(self, lengths: NDArray[np.intp]) -> "TimeSums":
        """Those over the newest so many bins."""
        at = lengths - 1
        return TimeSums(
            self.n[:, at],
            self.g[:, at],
            self.gg[:, at],
            self.pairs[:, at],
            self.pair_g[:, at],
            self.pair_gg[:, at],
        )


def time_sums(here: _Array, g: _Array) -> TimeSums:
    """The sums over every number of bins.

    Args:
        here: 1 where a bin is there, 0 where it is missing, newest first [1]. Shape (channels, bins).
        g: Growth of the drift at each bin's age [1]. Shape (bins,).

    Returns:
        Sums [1]. Shape (channels, bins).

    Source:
        Own; plain sums.
    """
    weight = here * g
    times = np.zeros((6, *here.shape))
    times[0] = here
    times[1] = weight
    times[2] = weight * weight
    times[3, :, 1:] = both = here[:, 1:] * here[:, :-1]
    times[4, :, 1:] = both * (g[1:] + g[:-1])
    times[5, :, 1:] = both * (g[1:] * g[:-1])
    return TimeSums(*np.cumsum(times, axis=2))


@dataclass(frozen=True, slots=True)
class NewestBins:
    """Bins from the newest back, relative to it, 0 where missing.

    Attributes:
        y: What they hold [unit of each channel]. Shape (channels, bins).
        here: 1 where there is one, 0 where it is missing; None where none is. Shape (channels, bins).
        g: As of `time_sums` [1].
        newest: What the newest holds [unit of each channel]. Shape (channels, 1).
    """

    y: _Array
    here: _Array | None
    g: _Array
    newest: _Array

    def first_sums(self, lengths: NDArray[np.intp]) -> _Array:
        """Over the newest so many bins: y, gy. Shape (2, channels, lengths)."""
        terms = np.empty((2, *self.y.shape))
        terms[0] = self.y
        np.multiply(self.g, self.y, out=terms[1])
        return np.cumsum(terms, axis=2)[:, :, lengths - 1]

    def second_sums(self, lengths: NDArray[np.intp]) -> _Array:
        """Likewise: yy; of neighbours both there y + y', yy', gy' + g'y. Shape (4, channels, lengths)."""
        y, g = self.y, self.g
        terms = np.empty((4, *y.shape))
        terms[1:, :, 0] = 0.0
        newer, older = y[:, :-1], y[:, 1:]
        np.multiply(y, y, out=terms[0])
        np.add(older, newer, out=terms[1, :, 1:])
        np.multiply(older, newer, out=terms[2, :, 1:])
        np.add(g[1:] * newer, g[:-1] * older, out=terms[3, :, 1:])
        if self.here is not None:
            terms[1:, :, 1:] *= self.here[:, 1:] * self.here[:, :-1]
        return np.cumsum(terms, axis=2)[:, :, lengths - 1]
