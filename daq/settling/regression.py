"""Running sums of the regression y = level + amplitude * g, with the residuals' lag-1 correlation.

Every operation is an addition of terms of one sign in g (g only falls, or only rises), so no rounding error can grow;
y is handed in relative to a nearby constant.
"""

import math
from dataclasses import dataclass

from daq.stats import corrected_autocorrelation


@dataclass(frozen=True, slots=True)
class Fit:
    """Result of one regression.

    Attributes:
        level: Value where g = 0.
        amplitude: Factor of g.
        sxx: Sum of squared deviations of g.
        residual: Sum of squared residuals.
        inflation: [1] variance inflation (1 + rho)/(1 - rho) from the residuals' correlation.
        count: [1] values.
    """

    level: float
    amplitude: float
    sxx: float
    residual: float
    inflation: float
    count: float


class Sums:
    """Sums over values added in order of time, forwards or backwards alike."""

    __slots__ = (
        "_g_before",
        "_y_before",
        "count",
        "g",
        "gg",
        "gy",
        "pair_g",
        "pair_gg",
        "pair_gy",
        "pair_y",
        "pair_yy",
        "pairs",
        "y",
        "yy",
    )

    def __init__(self) -> None:
        self.count = self.y = self.yy = self.g = self.gg = self.gy = 0.0
        self.pairs = self.pair_y = self.pair_yy = self.pair_g = self.pair_gg = (
            self.pair_gy
        ) = 0.0
        self._y_before: float | None = None
        self._g_before = 0.0

    def add(self, y: float | None, g: float) -> None:
        """Add the next value; None is a missing bin and breaks the chain of neighbours."""
        if y is None:
            self._y_before = None
            return
        self.count += 1.0
        self.y += y
        self.yy += y * y
        self.g += g
        self.gg += g * g
        self.gy += g * y
        if self._y_before is not None:
            y0, g0 = self._y_before, self._g_before
            self.pairs += 1.0
            self.pair_y += y + y0
            self.pair_yy += y * y0
            self.pair_g += g + g0
            self.pair_gg += g * g0
            self.pair_gy += g * y0 + g0 * y
        self._y_before, self._g_before = y, g

    def fit(self) -> Fit:
        r"""Level, amplitude and residual correlation from the sums.

        .. math:: S_{xx} = S_{gg} - S_g^2/n, \quad A = (S_{gy} - S_g S_y/n)/S_{xx}, \quad
            L = (S_y - A S_g)/n, \quad rss = \max(0, S_{yy} - L S_y - A S_{gy})

            lag = P_{yy} - L P_y - A P_{gy} + L^2 m + L A P_g + A^2 P_{gg}

        Returns:
            The fit [level, amplitude: unit of y].

        Source:
            Ordinary least squares (any textbook); the lag sum is its residuals' cross product expanded.
        """
        n = self.count
        sxx = max(self.gg - self.g * self.g / n, 1e-300)
        amplitude = (self.gy - self.g * self.y / n) / sxx
        level = (self.y - amplitude * self.g) / n
        residual = max(self.yy - level * self.y - amplitude * self.gy, 0.0)
        lag = (
            self.pair_yy
            - level * self.pair_y
            - amplitude * self.pair_gy
            + level * level * self.pairs
            + level * amplitude * self.pair_g
            + amplitude * amplitude * self.pair_gg
        )
        # Below this the residual is rounding error of the sums, and its correlation means nothing.
        lag_one = lag / residual if residual > 1e-12 * self.yy else 0.0
        rho = corrected_autocorrelation(lag_one, n, 2)
        return Fit(level, amplitude, sxx, residual, (1.0 + rho) / (1.0 - rho), n)


def is_hunting(residuals: list[float], least_amplitude: float) -> bool:
    r"""Whether one period stands out of the residuals by size and by Fisher's g-test (p < 0.01).

    .. math:: g = \max_j I_j / \sum_j I_j, \quad p \approx m (1 - g)^{m-1}

    Args:
        residuals: In order of time, 0 where a bin is missing [any unit]. Shape (n,), n >= 8.
        least_amplitude: Amplitudes up to it are tolerated [same unit].

    Returns:
        True where the machine swings about its level.

    Validity:
        The p value is the first term of Fisher's series, an upper bound.

    Source:
        R. A. Fisher, Proc. R. Soc. A 125 (1929) 54 (cited from memory); periodogram by Goertzel's recursion.
    """
    n = len(residuals)
    ordinates = [
        _periodogram_ordinate(residuals, 2.0 * math.pi * j / n)
        for j in range(1, (n + 1) // 2)
    ]
    largest, total = max(ordinates), math.fsum(ordinates)
    if total <= 0.0 or 2.0 * math.sqrt(largest) / n <= least_amplitude:
        return False
    m = len(ordinates)
    return bool(m * (1.0 - largest / total) ** (m - 1) < 0.01)


def _periodogram_ordinate(values: list[float], angle: float) -> float:
    twice_cos = 2.0 * math.cos(angle)
    s1 = s2 = 0.0
    for value in values:
        s1, s2 = value + twice_cos * s1 - s2, s1
    return s1 * s1 + s2 * s2 - twice_cos * s1 * s2
