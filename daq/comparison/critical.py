"""How large a difference must be: several conditions against one baseline, and the chance to find what is there.

Knows no channel and no unit: ratios in, probabilities and factors out.
"""

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from daq.settling.distributions import normal_cdf

WANTED_CHANCE = 0.8
"""A difference counts as one that a session can show if it is found so often [1]."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)
_COARSE = np.polynomial.legendre.leggauss(32)
"""Enough for a chance, which is told to a percent."""
_LARGEST = 1e4
_AS_GOOD_AS_EXACT = 1e6
"""Degrees of freedom from which on a spread counts as known."""


@dataclass(frozen=True, slots=True)
class LeastReal:
    """What a difference has to exceed, from the standard error that the spread between trials gives it.

    Attributes:
        factor: By which that counts [1].
        least: It never counts for less than what the scatter within the trials makes [unit of the difference].
        systematic: Standard uncertainty from errors that the trials do not share [same unit].
        systematic_factor: By which that counts [1]: the same as `factor` for a spread that is known.
    """

    factor: float
    least: float
    systematic: float
    systematic_factor: float

    def of(self, std_error: NDArray[np.float64]) -> NDArray[np.float64]:
        """Of many standard errors at once [same unit]. Shape in as shape out."""
        random = np.maximum(self.factor * std_error, self.least)
        return np.hypot(random, self.systematic_factor * self.systematic)

    def at(self, std_error: float) -> float:
        """Of one standard error [same unit]."""
        return float(self.of(np.array(std_error)))


def dunnett_probability(
    ratio: float, correlations: Sequence[float], degrees_of_freedom: float
) -> float:
    r"""Probability that no difference from one baseline exceeds `ratio` standard errors by chance.

    .. math:: \int_0^\infty f_\nu(s) \int_{-\infty}^\infty \varphi(z) \prod_i \left[
        \Phi\!\left(\frac{c s + \lambda_i z}{\sqrt{1-\lambda_i^2}}\right) -
        \Phi\!\left(\frac{-c s + \lambda_i z}{\sqrt{1-\lambda_i^2}}\right)\right] dz \, ds

    with f the density of chi over the root of its degrees of freedom.

    Args:
        ratio: c [1], >= 0.
        correlations: lambda of each condition [1], 0 <= lambda < 1: the root of the share that the baseline's mean has
            in the variance of the difference. n repeats against m of the baseline make sqrt(n/(n+m)).
        degrees_of_freedom: Of the spread [1], > 0; inf where it is known.

    Returns:
        Probability [1].

    Raises:
        ValueError: If there is no condition or a figure is outside its range.

    Validity:
        Normally distributed trial means of equal variance; exact to 1e-6 at whole degrees of freedom, to 1e-5 between
        1 and 2.

    Source:
        C. W. Dunnett, J. Amer. Statist. Assoc. 50 (1955) 1096, the integral by Gauss and Legendre's quadrature.
    """
    factors = np.asarray(correlations, dtype=np.float64)
    if not factors.size or not ratio >= 0.0 or not degrees_of_freedom > 0.0:
        msg = f"ratio {ratio}, correlations {list(correlations)}, degrees of freedom {degrees_of_freedom}: expected at least one condition, none below 0"
        raise ValueError(msg)
    if np.any(factors < 0.0) or np.any(factors >= 1.0):
        msg = f"correlations {list(correlations)}, expected 0 up to below 1"
        raise ValueError(msg)
    s, s_weights = _spread_nodes(degrees_of_freedom)
    z, z_weights = 8.0 * _NODES, 8.0 * _WEIGHTS
    density = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) * z_weights
    inside = np.ones((s.size, z.size))
    edge = ratio * s[:, np.newaxis]
    # Conditions that were repeated alike, as most are, need one look.
    for factor, count in Counter(factors.tolist()).items():
        root = math.sqrt(1.0 - factor * factor)
        shift = factor * z[np.newaxis, :]
        one = normal_cdf((shift + edge) / root) - normal_cdf((shift - edge) / root)
        inside *= one**count
    return float(s_weights @ inside @ density)


def dunnett_quantile(
    correlations: Sequence[float],
    degrees_of_freedom: float,
    *,
    probability: float = 0.95,
) -> float:
    """Ratio that no difference from one baseline exceeds by chance with a given probability, two-sided.

    Args:
        correlations: As of `dunnett_probability` [1].
        degrees_of_freedom: Likewise [1].
        probability: That of the whole family [1].

    Returns:
        Ratio [1]; Student's t for a single condition.

    Source:
        Inverse of `dunnett_probability`.

    Example:
        >>> round(dunnett_quantile([0.5**0.5] * 3, 16), 2)
        2.59
    """
    return _quantile(tuple(correlations), float(degrees_of_freedom), probability)


@lru_cache(maxsize=1024)
def _quantile(
    correlations: tuple[float, ...], degrees_of_freedom: float, probability: float
) -> float:
    return _root(
        lambda c: dunnett_probability(c, correlations, degrees_of_freedom) - probability
    )


def chance_to_find(
    difference: float,
    *,
    std_error: float,
    degrees_of_freedom: float,
    threshold: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    systematic: float = 0.0,
    known_degrees_of_freedom: float | None = None,
) -> float:
    r"""Chance that a true difference is found by a session like this one, whose spread is known no better than from here.

    .. math:: \int f_\mu(w) \int f_\nu(v) \left[1 - \Phi\!\left(\frac{W - \delta}{\tau}\right) +
        \Phi\!\left(\frac{-W - \delta}{\tau}\right)\right] dv \, dw, \quad
        \sigma = a/w, \quad W = W(\sigma v), \quad \tau^2 = \sigma^2 + u_s^2

    Args:
        difference: True difference delta [any unit].
        std_error: a of the difference by the spread as it was estimated here [same unit].
        degrees_of_freedom: nu of the estimate that the other session will make [1].
        threshold: W, the least difference that counts as real, from the standard error that the other session finds
            [same unit]. Shape in as shape out.
        systematic: Standard uncertainty u_s of the difference from errors that the trials do not share [same unit].
        known_degrees_of_freedom: mu of the estimate that there is [1]; inf to take it as the truth, nu if absent.

    Returns:
        Probability [1].

    Validity:
        Normally distributed trial means; a session with as many repeats. Taking the spread as known from a few repeats
        would promise more than they keep, hence the outer integral.

    Source:
        Power of Student's t by its definition (R. A. Fisher's noncentral t as an integral over chi), averaged over what
        the estimate leaves open (own rule, known as the assurance or predictive power).
    """
    v, v_weights = _spread_nodes(degrees_of_freedom, *_COARSE)
    mu = (
        degrees_of_freedom
        if known_degrees_of_freedom is None
        else known_degrees_of_freedom
    )
    w, w_weights = _spread_nodes(mu, *_COARSE)
    sigma = std_error / np.maximum(w, 1e-9)[:, np.newaxis]
    least = threshold(sigma * v[np.newaxis, :])
    tau = np.maximum(np.hypot(sigma, systematic), 1e-300)
    found = (
        1.0 - _normal((least - difference) / tau) + _normal((-least - difference) / tau)
    )
    return float(w_weights @ found @ v_weights)


def _normal(x: NDArray[np.float64]) -> NDArray[np.float64]:
    # Trials that agree to the bit make ratios that no square can hold.
    return normal_cdf(np.clip(x, -40.0, 40.0))


def difference_found(
    chance: float, *, scale: float, chance_of: Callable[[float], float]
) -> float | None:
    """Smallest difference that is found with a given chance.

    Args:
        chance: Wanted [1].
        scale: A difference of about the right size [any unit], > 0.
        chance_of: Chance [1] of a difference [same unit]; never falls as that grows.

    Returns:
        Difference [same unit]; None where none of up to 10 000 times the scale is found so often.

    Source:
        By bisection, to a part in 10 000.
    """
    if chance_of(_LARGEST * scale) < chance:
        return None
    return _root(lambda c: chance_of(c * scale) - chance, steps=16) * scale


def _spread_nodes(
    degrees_of_freedom: float,
    nodes: NDArray[np.float64] = _NODES,
    base_weights: NDArray[np.float64] = _WEIGHTS,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Estimated over true spread: nodes, and weights that add up to 1."""
    nu = degrees_of_freedom
    if nu >= _AS_GOOD_AS_EXACT:
        return np.ones(1), np.ones(1)
    width = 1.0 / math.sqrt(2.0 * nu)
    low, high = max(0.0, 1.0 - 9.0 * width), 1.0 + 9.0 * width
    s = low + (high - low) * 0.5 * (nodes + 1.0)
    log_density = (nu - 1.0) * np.log(s) - 0.5 * nu * s * s
    weights = np.exp(log_density - log_density.max()) * base_weights
    return s, weights / weights.sum()


def _root(function: Callable[[float], float], *, steps: int = 50) -> float:
    """Where a function that never falls passes zero between 0 and the largest ratio looked at."""
    low, high = 0.0, 1.0
    while function(high) < 0.0 and high < _LARGEST:
        low, high = high, 2.0 * high
    for _ in range(steps):
        middle = 0.5 * (low + high)
        if function(middle) < 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
