"""Figures of a study with their 95 % bounds, and whether a goal lies within or beyond them.

Needs scipy, which only the studies use.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import beta, binom  # type: ignore[import-untyped]  # ships no types

_RISK = 0.05


@dataclass(frozen=True, slots=True)
class Figure:
    """An estimate between its bounds."""

    value: float
    low: float
    high: float

    def text(self, *, factor: float = 1.0, digits: int = 2) -> str:
        """The estimate and, in brackets, the bounds."""
        value, low, high = (
            f"{factor * x:.{digits}f}" for x in (self.value, self.low, self.high)
        )
        return f"{value} ({low} to {high})"

    def allows_at_most(self, goal: float) -> bool:
        """The interval contains the goal or lies below it."""
        return self.low <= goal

    def allows_at_least(self, goal: float) -> bool:
        """The interval contains the goal or lies above it."""
        return self.high >= goal


def share(hits: Sequence[bool]) -> Figure:
    """Share of hits.

    Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404, by quantiles of the beta distribution.
    """
    n, k = len(hits), sum(hits)
    if n == 0:
        return Figure(math.nan, math.nan, math.nan)
    low = float(beta.ppf(_RISK / 2.0, k, n - k + 1)) if k > 0 else 0.0
    high = float(beta.ppf(1.0 - _RISK / 2.0, k + 1, n - k)) if k < n else 1.0
    return Figure(k / n, low, high)


def quantile(values: Sequence[float], probability: float) -> Figure:
    """A quantile between order statistics.

    Source: H. A. David and H. N. Nagaraja, Order Statistics, 3rd ed. (2003), section 7.1.
    """
    n = len(values)
    if n == 0:
        return Figure(math.nan, math.nan, math.nan)
    ordered = sorted(values)
    below = int(binom.ppf(_RISK / 2.0, n, probability))
    above = int(binom.ppf(1.0 - _RISK / 2.0, n, probability))
    return Figure(
        ordered[max(math.ceil(probability * n), 1) - 1],
        ordered[max(below, 1) - 1],
        ordered[min(above, n - 1)],
    )


def mean(values: Sequence[float]) -> Figure:
    """A mean with its normal bounds: good for the hundreds of records of a study."""
    n = len(values)
    if n < 2:
        return Figure(math.nan, math.nan, math.nan)
    centre = math.fsum(values) / n
    spread = math.fsum((x - centre) ** 2 for x in values) / (n - 1)
    half = 1.96 * math.sqrt(spread / n)
    return Figure(centre, centre - half, centre + half)
