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
        self._kept = np.exp([-np.inf, *(-bin_s / time_s for time_s in times_s)])
        self._share = np.array([0.0, *shares])
        self._state = np.tile(self._share, (channels, 1))
        self._foreseen = np.zeros((channels, len(self._share), columns))

    def innovate(
        self, columns: _Array, here: NDArray[np.bool_]
    ) -> tuple[_Array, _Array]:
        """Take the next bin.

        Args:
            columns: Observed [any unit]. Shape (channels, columns).
            here: Whether the channel's bin is there; else nothing is learnt from it. Shape (channels,).

        Returns:
            What was not foreseen [same], shape (channels, noises, columns), and its variance in units of the noise's
            [1], shape (channels, noises).
        """
        variance = self._state + (1.0 - self._share)
        gain = np.where(here[:, None], self._state / variance, 0.0)
        new: _Array = columns[:, None, :] - self._foreseen
        self._foreseen = self._kept[:, None] * (self._foreseen + gain[:, :, None] * new)
        kept = self._kept * self._kept
        self._state = kept * (1.0 - gain) * self._state + (1.0 - kept) * self._share
        return new, variance


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
        self._kept = kept[:, None]
        self._kept_squared = np.outer(kept, kept)
        self._white = 1.0 - share
        self._renewed = np.diag((1.0 - kept * kept) * share / parts)
        self._state = np.tile(np.eye(parts) * share / parts, (channels, 1, 1))
        self._foreseen = np.zeros((channels, parts, columns))

    def innovate(
        self, columns: _Array, here: NDArray[np.bool_]
    ) -> tuple[_Array, _Array]:
        """As `WanderingNoises.innovate`, of one noise."""
        with_sum = self._state.sum(axis=2)
        variance = with_sum.sum(axis=1) + self._white
        gain = np.where(here[:, None], with_sum / variance[:, None], 0.0)
        new = columns - self._foreseen.sum(axis=1)
        self._foreseen = self._kept * (
            self._foreseen + gain[:, :, None] * new[:, None, :]
        )
        learnt = gain[:, :, None] * gain[:, None, :] * variance[:, None, None]
        self._state = self._kept_squared * (self._state - learnt) + self._renewed
        return new[:, None, :], variance[:, None]
