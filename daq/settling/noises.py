r"""Noises that a machine and its meters may show, each as a filter that makes bins independent under it.

Every noise has a white part and a part that remembers. A wandering one comes back to its level with one time constant (an
Ornstein-Uhlenbeck process: first-order autoregressive at the bins). A pink one has as much power in
every octave, from a bin's length up to an hour: a sum of wandering ones whose time constants grow threefold. All have
variance 1 in sum; how large they are is for the regressions to find.

A Kalman filter foresees the next bin from those before it; what was not foreseen is independent from bin to bin. Missing
bins are stepped over exactly.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

_Array = NDArray[np.float64]

_PINK_TIMES_S = tuple(2.0 * 3.0**i for i in range(7))
"""Time constants of the parts of a pink noise, up to the 1458 s that no trial outlasts by much [s]."""


class WanderingNoises:
    """White noise, and wandering noises beside it."""

    def __init__(
        self,
        times_s: Sequence[float],
        shares: Sequence[float],
        *,
        bin_s: float,
        channels: int,
        columns: int,
    ) -> None:
        """Begin before the first bin.

        Args:
            times_s: Time constants of the wandering parts [s]. Shape (noises,); white noise comes before them.
            shares: Of the variance that wander [1]. Shape (noises,).
            bin_s: Length of a bin [s].
            channels: Filtered side by side [1].
            columns: Filtered together in each channel [1].
        """
        kept = np.exp([-np.inf, *(-bin_s / time_s for time_s in times_s)])
        # Of every channel, so that arrays of one shape meet: that is what makes a bin cheap.
        self._kept = np.tile(kept, (channels, 1))
        self._share = np.tile([0.0, *shares], (channels, 1))
        self._kept_squared = self._kept * self._kept
        self._white = 1.0 - self._share
        self._renewed = (1.0 - self._kept_squared) * self._share
        self._state = self._share.copy()
        self._foreseen = np.zeros((columns, *self._share.shape))

    def innovate(
        self,
        columns: _Array,
        absent: NDArray[np.bool_] | None,
        new: _Array,
        variance: _Array,
    ) -> None:
        """Take the next bin.

        Args:
            columns: Observed [any unit]. Shape (columns, channels).
            absent: Channels whose bin is missing: nothing is learnt from it. Shape (channels,); None where none is.
            new: Takes what was not foreseen [same]. Shape (columns, channels, noises).
            variance: Takes its variance in units of the noise's [1]. Shape (channels, noises).
        """
        np.add(self._state, self._white, out=variance)
        gain = self._state / variance
        if absent is not None:
            gain[absent] = 0.0
        np.subtract(columns[:, :, None], self._foreseen, out=new)
        self._foreseen += gain * new
        self._foreseen *= self._kept
        self._state *= self._kept_squared * (1.0 - gain)
        self._state += self._renewed


class PinkNoise:
    """White noise with a share of pink noise."""

    def __init__(
        self, share: float, *, bin_s: float, channels: int, columns: int
    ) -> None:
        """Begin before the first bin.

        Args:
            share: Of the variance that is pink [1].
            bin_s: Length of a bin [s].
            channels: Filtered side by side [1].
            columns: Filtered together in each channel [1].
        """
        parts = len(_PINK_TIMES_S)
        kept = np.exp([-bin_s / time_s for time_s in _PINK_TIMES_S])
        self._kept = kept[:, None, None]
        self._kept_squared = np.outer(kept, kept)
        self._white = 1.0 - share
        self._renewed = np.diag((1.0 - kept * kept) * share / parts)
        self._state = np.tile(np.eye(parts) * share / parts, (channels, 1, 1))
        self._foreseen = np.zeros((parts, columns, channels))

    def innovate(
        self,
        columns: _Array,
        absent: NDArray[np.bool_] | None,
        new: _Array,
        variance: _Array,
    ) -> None:
        """As `WanderingNoises.innovate`, of one noise: `new` and `variance` have no axis of noises."""
        with_sum = np.add.reduce(self._state, axis=2)
        variance[:] = scale = np.add.reduce(with_sum, axis=1) + self._white
        gain = with_sum / scale[:, None]
        if absent is not None:
            gain[absent] = 0.0
        new[:] = not_foreseen = columns - np.add.reduce(self._foreseen, axis=0)
        self._foreseen += np.ascontiguousarray(gain.T)[:, None, :] * not_foreseen
        self._foreseen *= self._kept
        learnt = gain[:, :, None] * gain[:, None, :]
        learnt *= scale[:, None, None]
        self._state -= learnt
        self._state *= self._kept_squared
        self._state += self._renewed
