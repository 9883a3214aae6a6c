"""Detection: every window that ends at the newest bin, of every channel, judged at once.

For a window the drift still to come is bounded by the regression y = level + amplitude * exp(age/tau_max), where the
amplitude is what is left of the decay at the newest bin: |amplitude| + t se must fit in the tolerance.

One backward pass from the newest bin serves all windows. Every sum is a sum of terms relative to the newest bin, made
anew at each bin: nothing is ever subtracted, so no rounding error can grow, however long a session lasts.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from daq.settling.parameters import Parameters
from daq.stats import student_t_quantile

LEAST_BINS = 8
"""Fewer bins tell nothing of drift and noise apart."""
_LEAST_PRESENT = 6
_LEAST_DEGREES = 2


@dataclass(frozen=True, slots=True)
class WindowFits:
    """Fits of all windows that end now. Arrays of shape (channels, windows), windows from the shortest on.

    Attributes:
        lengths: Shape (windows,) [1] bins.
        usable: Whether enough bins hold readings.
        level: Where the decay ends [unit of the channel].
        amplitude: What is left of the decay at the newest bin [same].
        mean: Of the bins [same].
        std_dev: Of one bin about the fit, inflated for correlation [same].
        error: Standard uncertainty of the amplitude [same].
        bound: Of the drift still to come [same], rounding left aside.
        limit: Half-width of the tolerance band [same].
        passes: Whether the drift still to come fits in it.
    """

    lengths: NDArray[np.intp]
    usable: NDArray[np.bool_]
    level: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    mean: NDArray[np.float64]
    std_dev: NDArray[np.float64]
    error: NDArray[np.float64]
    bound: NDArray[np.float64]
    limit: NDArray[np.float64]
    passes: NDArray[np.bool_]


class Detector:
    """Fits all windows of several channels to their newest bins."""

    def __init__(
        self,
        *,
        tolerances: Sequence[float],
        resolutions: Sequence[float],
        bin_s: float,
        parameters: Parameters,
    ) -> None:
        lengths = {round(window / bin_s) for window in parameters.windows_s}
        self.lengths = np.array(sorted(n for n in lengths if n >= LEAST_BINS), np.intp)
        self._tolerances = np.asarray(tolerances, np.float64)[:, None]
        self._half_steps = np.asarray(resolutions, np.float64)[:, None] / 2.0
        self._parameters = parameters
        self._growth = np.exp(np.arange(self.longest) * bin_s / parameters.tau_max_s)
        self._quantiles = _quantiles(
            1.0 - parameters.risk, max(self.longest, _LEAST_DEGREES)
        )

    @property
    def shortest(self) -> int:
        """Bins in the shortest window [1]; 0 where bins are so long that no window holds enough."""
        return int(self.lengths[0]) if self.lengths.size else 0

    @property
    def longest(self) -> int:
        """Bins in the longest window [1]; 0 as above."""
        return int(self.lengths[-1]) if self.lengths.size else 0

    def fit(self, means: NDArray[np.float64]) -> WindowFits:
        r"""Fit every window that the bins are long enough for.

        .. math:: S_{xx} = S_{gg} - S_g^2/n, \quad A = (S_{gy} - S_g S_y/n)/S_{xx}, \quad
            s^2 = rss/(n-2), \quad D = |A| + t_{1-\alpha}(\nu) s \sqrt{f/S_{xx}}

            \rho = \mathrm{clip}((n r_1 + 2)/(n-4), 0, 0.95), \quad f = (1+\rho)/(1-\rho), \quad
            \nu = \max(2, n/f - 2)

        Args:
            means: Bins in order of time, NaN where missing [unit of each channel]. Shape
                (channels, bins), at least the shortest window; the newest bin of no channel is missing.

        Returns:
            The fits [unit of each channel].

        Source:
            Own rule; least squares by running sums, the lag sum is the residuals' cross product expanded.
        """
        lengths = self.lengths[self.lengths <= means.shape[1]]
        span = int(lengths[-1])
        backwards = means[:, : -span - 1 : -1]
        newest = backwards[:, :1]
        sums = _sums(backwards - newest, self._growth[:span])[:, :, lengths - 1]
        return self._judge(sums, newest, lengths)

    def _judge(
        self,
        sums: NDArray[np.float64],
        newest: NDArray[np.float64],
        lengths: NDArray[np.intp],
    ) -> WindowFits:
        p = self._parameters
        n, y, yy, g, gg, gy = np.moveaxis(sums[:, :6], 1, 0)
        usable = (n >= p.least_share * lengths) & (n >= _LEAST_PRESENT)
        count = np.where(usable, n, _LEAST_PRESENT)
        sxx = np.where(usable, np.maximum(gg - g * g / count, 1e-300), 1.0)
        amplitude = (gy - g * y / count) / sxx
        level = (y - amplitude * g) / count
        residual = np.maximum(yy - level * y - amplitude * gy, 0.0)
        # Below this the residual is rounding error of the sums, and its correlation means nothing.
        sound = np.where(residual > 1e-12 * yy, residual, np.inf)
        lag_one = _lag_product(sums[:, 6:], level, amplitude) / sound
        inflation = _inflation(lag_one, count)
        mean = newest + y / count
        limit = np.maximum(self._tolerances * np.abs(mean), self._half_steps)
        limit = np.maximum(limit, 1e-300)
        variance = residual / (count - 2.0) * inflation
        degrees = np.maximum(count / inflation - 2.0, _LEAST_DEGREES).astype(np.intp)
        error = np.sqrt(variance / sxx)
        size = np.abs(amplitude)
        bound = np.where(usable, size + self._quantiles[degrees - 1] * error, np.inf)
        return WindowFits(
            lengths=lengths,
            usable=usable,
            level=newest + level,
            amplitude=amplitude,
            mean=mean,
            std_dev=np.sqrt(variance),
            error=error,
            bound=bound,
            limit=limit,
            passes=(bound <= limit) & (size <= p.amplitude * limit),
        )


@lru_cache(maxsize=16)
def _quantiles(probability: float, most: int) -> NDArray[np.float64]:
    """Student's t for 1 … most degrees of freedom."""
    return np.array([student_t_quantile(probability, nu) for nu in range(1, most + 1)])


def _sums(y: NDArray[np.float64], g: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sums over the newest 1, 2, 3 … bins. Shape (channels, 12, bins).

    In order n, y, yy, g, gg, gy, then of neighbours both present: pairs, y + y', yy', g + g', gg', gy' + g'y.
    """
    present = ~np.isnan(y)
    value = np.where(present, y, 0.0)
    here = present.astype(np.float64)
    weight = here * g
    terms = np.zeros((y.shape[0], 12, y.shape[1]))
    terms[:, 0] = here
    terms[:, 1] = value
    terms[:, 2] = value * value
    terms[:, 3] = weight
    terms[:, 4] = weight * weight
    terms[:, 5] = weight * value
    both = here[:, 1:] * here[:, :-1]
    terms[:, 6, 1:] = both
    terms[:, 7, 1:] = both * (value[:, 1:] + value[:, :-1])
    terms[:, 8, 1:] = value[:, 1:] * value[:, :-1]
    terms[:, 9, 1:] = both * (g[1:] + g[:-1])
    terms[:, 10, 1:] = both * (g[1:] * g[:-1])
    terms[:, 11, 1:] = both * (g[1:] * value[:, :-1] + g[:-1] * value[:, 1:])
    return np.cumsum(terms, axis=2)


def _lag_product(
    pairs: NDArray[np.float64],
    level: NDArray[np.float64],
    amplitude: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Sum of the products of neighbouring residuals."""
    m, y, yy, g, gg, gy = np.moveaxis(pairs, 1, 0)
    product: NDArray[np.float64] = (
        yy
        - level * y
        - amplitude * gy
        + level * level * m
        + level * amplitude * g
        + amplitude * amplitude * gg
    )
    return product


def _inflation(
    lag_one: NDArray[np.float64], count: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Variance inflation (1 + rho)/(1 - rho) from the residuals' lag-1 correlation, corrected for its bias."""
    rho = np.clip((count * lag_one + 2.0) / np.maximum(count - 4.0, 1.0), 0.0, 0.95)
    inflation: NDArray[np.float64] = (1.0 + rho) / (1.0 - rho)
    return inflation
