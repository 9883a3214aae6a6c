"""Detection: every window that ends at the newest bin, of every channel, judged at once.

For a window the drift still to come is bounded by the regression y = level + amplitude * exp(age/tau_max), where the
amplitude is what is left of the decay at the newest bin: |amplitude| + t se must fit in the tolerance.

One backward pass from the newest bin serves all windows (window_sums.py). What most bins of most trials tell at once, that a window drifts
too much, is found first; the scatter about the fits only once somebody asks for it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from daq.settling.parameters import Parameters
from daq.settling.window_sums import NewestBins, TimeSums, time_sums
from daq.stats import student_t_quantile

_Array = NDArray[np.float64]

LEAST_BINS = 8
"""Fewer bins tell nothing of drift and noise apart."""
_LEAST_PRESENT = 6
_LEAST_DEGREES = 2


@dataclass(frozen=True, slots=True)
class _Scatter:
    """What the scatter about the fits tells. Arrays as of `WindowFits`."""

    level: _Array
    std_dev: _Array
    error: _Array
    bound: _Array
    passes: NDArray[np.bool_]


class WindowFits:
    """Fits of all windows that end now. Arrays of shape (channels, windows), windows from the shortest on.

    Attributes:
        lengths: Shape (windows,) [1] bins.
        usable: Whether enough bins hold readings.
        amplitude: What is left of the decay at the newest bin [unit of the channel].
        mean: Of the bins [same].
        limit: Half-width of the tolerance band [same].
        may_pass: Whether that amplitude is small enough; where it is not, the window does not pass.
    """

    def __init__(
        self,
        bins: NewestBins,
        times: TimeSums,
        *,
        lengths: NDArray[np.intp],
        tolerances: _Array,
        half_steps: _Array,
        quantiles: _Array,
        parameters: Parameters,
    ) -> None:
        """Fit.

        Args:
            bins: Of all channels.
            times: Over the windows.
            lengths: Of the windows [1].
            tolerances: Relative, of each channel [1]. Shape (channels, 1).
            half_steps: Of the displays [unit of each channel]. Shape (channels, 1).
            quantiles: Student's t for 1, 2, 3 … degrees of freedom [1].
            parameters: The rule's.
        """
        self.lengths = lengths
        self._bins, self._times = bins, times
        self._quantiles = quantiles
        self._y, self._gy = bins.first_sums(lengths)
        n, y = times.n, self._y
        enough = (n >= parameters.least_share * lengths) & (n >= _LEAST_PRESENT)
        self._enough = enough
        self._count = np.where(enough, n, _LEAST_PRESENT)
        sxx = np.maximum(times.gg - times.g * times.g / self._count, 1e-300)
        self._sxx = np.where(enough, sxx, 1.0)
        self.usable = np.broadcast_to(enough, y.shape)
        self.amplitude = (self._gy - times.g * y / self._count) / self._sxx
        self.mean = bins.newest + y / self._count
        limit = np.maximum(tolerances * np.abs(self.mean), half_steps)
        self.limit = np.maximum(limit, 1e-300)
        is_small = np.abs(self.amplitude) <= parameters.amplitude * self.limit
        self.may_pass = is_small & enough
        self._found: _Scatter | None = None

    @property
    def level(self) -> _Array:
        """Where the decay ends [unit of the channel]."""
        return self._scatter().level

    @property
    def std_dev(self) -> _Array:
        """Of one bin about the fit, inflated for correlation [same]."""
        return self._scatter().std_dev

    @property
    def error(self) -> _Array:
        """Standard uncertainty of the amplitude [same]."""
        return self._scatter().error

    @property
    def bound(self) -> _Array:
        """Of the drift still to come [same], rounding left aside."""
        return self._scatter().bound

    @property
    def passes(self) -> NDArray[np.bool_]:
        """Whether the drift still to come fits in the tolerance."""
        return self._scatter().passes

    def _scatter(self) -> _Scatter:
        if self._found is None:
            self._found = self._find_scatter()
        return self._found

    def _find_scatter(self) -> _Scatter:
        times, count, y, gy = self._times, self._count, self._y, self._gy
        yy, pair_y, pair_yy, pair_gy = self._bins.second_sums(self.lengths)
        amplitude = self.amplitude
        level = (y - amplitude * times.g) / count
        residual = np.maximum(yy - level * y - amplitude * gy, 0.0)
        # Below this the residual is rounding error of the sums, and its correlation means nothing.
        sound = np.where(residual > 1e-12 * yy, residual, np.inf)
        # The sum of the products of neighbouring residuals, expanded.
        lag_product = (
            pair_yy
            - level * pair_y
            - amplitude * pair_gy
            + level * level * times.pairs
            + level * amplitude * times.pair_g
            + amplitude * amplitude * times.pair_gg
        )
        inflation = _inflation(lag_product / sound, count)
        variance = residual / (count - 2.0) * inflation
        degrees = np.maximum(count / inflation - 2.0, _LEAST_DEGREES).astype(np.intp)
        error = np.sqrt(variance / self._sxx)
        size = np.abs(amplitude) + self._quantiles[degrees - 1] * error
        bound = np.where(self._enough, size, np.inf)
        return _Scatter(
            level=self._bins.newest + level,
            std_dev=np.sqrt(variance),
            error=error,
            bound=bound,
            passes=(bound <= self.limit) & self.may_pass,
        )


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
        self.growth = np.exp(np.arange(self.longest) * bin_s / parameters.tau_max_s)
        """How much more was left of the slowest decay at each age [1], newest bin first."""
        everywhere = np.ones((1, self.longest))
        self._all_present = time_sums(everywhere, self.growth).over(self.lengths)
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
        newest, growth = backwards[:, :1], self.growth[:span]
        y = backwards - newest
        missing = np.isnan(y)
        here = None
        if missing.any():
            y, here = np.where(missing, 0.0, y), (~missing).astype(np.float64)
            times = time_sums(here, growth).over(lengths)
        elif len(lengths) < len(self.lengths):
            times = time_sums(np.ones((1, span)), growth).over(lengths)
        else:
            times = self._all_present
        return WindowFits(
            NewestBins(y, here, growth, newest),
            times,
            lengths=lengths,
            tolerances=self._tolerances,
            half_steps=self._half_steps,
            quantiles=self._quantiles,
            parameters=self._parameters,
        )


@lru_cache(maxsize=16)
def _quantiles(probability: float, most: int) -> NDArray[np.float64]:
    """Student's t for 1 … most degrees of freedom."""
    return np.array([student_t_quantile(probability, nu) for nu in range(1, most + 1)])


def _inflation(
    lag_one: NDArray[np.float64], count: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Variance inflation (1 + rho)/(1 - rho) from the residuals' lag-1 correlation, corrected for its bias."""
    raw = (count * lag_one + 2.0) / np.maximum(count - 4.0, 1.0)
    rho = np.minimum(np.maximum(raw, 0.0), 0.95)
    inflation: NDArray[np.float64] = (1.0 + rho) / (1.0 - rho)
    return inflation
