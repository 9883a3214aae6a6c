"""Statistics of short, autocorrelated records: Student's t, F, lag-1 correlation, the mean and its uncertainty.

Refuses to know what was measured. Everything is a pure function of numbers.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

_SERIES_UP_TO = 200
"""Above it the expansion about the normal quantile is exact to 2e-6 and much cheaper."""


def student_t_cdf(x: float, degrees_of_freedom: int) -> float:
    r"""Probability that Student's t is below `x`.

    .. math:: \theta = \arctan(x/\sqrt\nu), \quad F = \tfrac12 + \tfrac12 A(\theta|\nu)

    with the finite series of A for odd and even degrees of freedom.

    Args:
        x: Value [1].
        degrees_of_freedom: Whole number [1], >= 1.

    Returns:
        Probability [1].

    Raises:
        ValueError: If there is less than one degree of freedom.

    Validity:
        Exact up to rounding.

    Source:
        Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4.

    Example:
        >>> round(student_t_cdf(1.0, 1), 6)
        0.75
    """
    if degrees_of_freedom < 1:
        msg = f"degrees of freedom {degrees_of_freedom}, expected at least 1"
        raise ValueError(msg)
    theta = math.atan2(x, math.sqrt(degrees_of_freedom))
    cos_squared = math.cos(theta) ** 2
    odd = degrees_of_freedom % 2
    term = math.cos(theta) if odd else 1.0
    total = 0.0
    for k in range(odd, degrees_of_freedom - 1, 2):
        total += term
        term *= cos_squared * (k + 1) / (k + 2)
    if odd:
        return 0.5 + (theta + math.sin(theta) * total) / math.pi
    return 0.5 + 0.5 * math.sin(theta) * total


@lru_cache(maxsize=4096)
def _t_quantile(probability: float, degrees_of_freedom: int) -> float:
    low, high = 0.0, 1000.0
    for _ in range(64):
        middle = 0.5 * (low + high)
        if student_t_cdf(middle, degrees_of_freedom) < probability:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def student_t_quantile(probability: float, degrees_of_freedom: float) -> float:
    r"""Upper quantile of Student's t.

    Args:
        probability: One-sided [1], 0.5 up to 0.999.
        degrees_of_freedom: Effective [1]; truncated to a whole number as the GUM advises (G.4.1),
            at least 1; inf gives the normal quantile.

    Returns:
        Quantile [1].

    Raises:
        ValueError: If the probability is outside 0.5 … 0.999.

    Source:
        Inverse of `student_t_cdf`; JCGM 100:2008 (GUM), G.3 and Table G.2. Above 200 degrees of
        freedom the expansion of Abramowitz and Stegun, 26.7.5.

    Example:
        >>> round(student_t_quantile(0.975, 9), 2)
        2.26
    """
    if not 0.5 <= probability <= 0.999:
        msg = f"probability {probability}, expected 0.5 to 0.999"
        raise ValueError(msg)
    if degrees_of_freedom <= _SERIES_UP_TO:
        # Two degrees of freedom that came out as 1.9999999 are two.
        whole = int(max(degrees_of_freedom + 1e-9, 1.0))
        return _t_quantile(probability, whole)
    z = normal_quantile(probability)
    first = (z**3 + z) / (4.0 * degrees_of_freedom)
    second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * degrees_of_freedom**2)
    return z + first + second


@lru_cache(maxsize=64)
def normal_quantile(probability: float) -> float:
    """Quantile of the standard normal distribution.

    Args:
        probability: [1], 0.5 up to 0.999.

    Returns:
        Quantile [1].

    Source:
        Inverse of the error function's integral, by bisection.

    Example:
        >>> round(normal_quantile(0.975), 4)
        1.96
    """
    low, high = 0.0, 10.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if normal_cdf(middle) < probability:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def normal_cdf(x: float) -> float:
    r"""Probability that a standard normal variable is below `x`.

    .. math:: \Phi(x) = \tfrac12 \mathrm{erfc}(-x/\sqrt2)

    Args:
        x: Value [1].

    Returns:
        Probability [1].

    Source:
        Abramowitz and Stegun, 26.2.29.
    """
    return 0.5 * math.erfc(-x / math.sqrt(2.0))


_MANY = 1e7
"""Degrees of freedom from which on F's denominator is as good as exact: the tail moves by less than 1e-6."""

_TINY = 1e-300
"""Stands for a zero in the continued fraction, so that it can be divided by."""


def f_tail(ratio: float, numerator: float, denominator: float) -> float:
    r"""Probability that Snedecor's F is above `ratio`.

    .. math:: Q = I_x(\nu_2/2,\, \nu_1/2), \quad x = \frac{\nu_2}{\nu_2 + \nu_1 F}

    Args:
        ratio: F, a ratio of two variances [1], >= 0.
        numerator: Degrees of freedom of the upper one [1], > 0.
        denominator: Degrees of freedom of the lower one [1], > 0; inf is taken as ten million.

    Returns:
        Probability [1].

    Raises:
        ValueError: If the ratio is negative or there are no degrees of freedom.

    Source:
        Abramowitz and Stegun, Handbook of Mathematical Functions, 26.6.2.

    Example:
        >>> round(f_tail(2.12, 9, 40), 2)
        0.05
    """
    if not (ratio >= 0.0 and numerator > 0.0 and denominator > 0.0):
        msg = f"F {ratio} with {numerator} and {denominator} degrees of freedom, expected F >= 0 and both above 0"
        raise ValueError(msg)
    nu_2 = min(denominator, _MANY)
    x = nu_2 / (nu_2 + numerator * ratio)
    return incomplete_beta(x, nu_2 / 2.0, numerator / 2.0)


def incomplete_beta(x: float, a: float, b: float) -> float:
    r"""Regularised incomplete beta function.

    Args:
        x: [1], 0 up to 1.
        a: First parameter [1], > 0.
        b: Second parameter [1], > 0.

    Returns:
        I_x(a, b) [1].

    Validity:
        To about 1e-11 for parameters up to a thousand, 1e-8 up to ten million.

    Source:
        Abramowitz and Stegun, 26.5.8 (continued fraction) and 26.5.2 (the other tail).

    Example:
        >>> round(incomplete_beta(0.25, 1.0, 1.0), 12)
        0.25
    """
    if x <= 0.0 or x >= 1.0:
        return min(max(x, 0.0), 1.0)
    # The fraction converges fast below the mode only; above it the other tail is taken.
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - incomplete_beta(1.0 - x, b, a)
    beta = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    front = math.exp(beta + a * math.log(x) + b * math.log1p(-x)) / a
    return front / _beta_fraction(x, a, b)


def _beta_fraction(x: float, a: float, b: float) -> float:
    """The continued fraction 1 + d1/(1 + d2/(1 + ...)), from its head on.

    Source: A&S 26.5.8 for the terms; Lentz, Applied Optics 15 (1976) 668, for the order of evaluation.
    """
    value = numerators = 1.0
    denominators = 0.0
    for step in range(1, 100_000):
        m, odd = divmod(step, 2)
        if odd:
            term = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        else:
            term = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        denominators = 1.0 / ((1.0 + term * denominators) or _TINY)
        numerators = (1.0 + term / numerators) or _TINY
        value *= numerators * denominators
        if abs(numerators * denominators - 1.0) < 1e-15:
            break
    return value


def corrected_autocorrelation(lag_one: float, count: float, parameters: int) -> float:
    r"""Lag-1 autocorrelation of residuals, corrected for the bias that fitting gives it.

    .. math:: \rho = \mathrm{clip}\left(\frac{n r_1 + p}{n - p - 2},\, 0,\, 0.95\right)

    Args:
        lag_one: Lag-1 autocorrelation of the residuals [1].
        count: Number of values [1].
        parameters: Number of fitted parameters [1]: 1 for a mean, 2 for a line.

    Returns:
        Corrected coefficient [1]; never negative, so that an alternating record is not
        credited with more information than independent readings.

    Validity:
        First-order autoregressive residuals.

    Source:
        Own rule, measured in simulation; the bias -(1 + (p+1) rho)/n is that of
        Marriott and Pope, Biometrika 41 (1954) 390 (cited from memory).
    """
    return min(
        max((count * lag_one + parameters) / max(count - parameters - 2, 1), 0.0), 0.95
    )


def sample_mean(values: Sequence[float]) -> float:
    r"""Arithmetic mean, summed without rounding on the way.

    Args:
        values: [any unit]. Shape (n,), n >= 1.

    Returns:
        Mean [unit of values].

    Raises:
        ValueError: If there is no value.

    Validity:
        One rounding of the sum and one of the division; the values' own rounding remains.

    Source:
        JCGM 100:2008 (GUM), 4.2.1, equation (3).

    Example:
        >>> sample_mean([10000001.0, 10000003.0, 10000002.0])
        10000002.0
    """
    if not values:
        msg = "no values, expected at least 1"
        raise ValueError(msg)
    return math.fsum(values) / len(values)


def sample_std_dev(values: Sequence[float]) -> float:
    r"""Experimental standard deviation, by the corrected two-pass formula.

    .. math:: s^2 = \frac1{n-1}\left[\sum (y_i-\bar y)^2
        - \frac1n \left(\sum (y_i-\bar y)\right)^2\right]

    Args:
        values: [any unit]. Shape (n,), n >= 2.

    Returns:
        Standard deviation with n - 1 degrees of freedom [unit of values].

    Raises:
        ValueError: If there are fewer than two values.

    Validity:
        The second sum takes out what the rounding of the mean put in; what the values
        themselves lost when they became binary remains.

    Source:
        JCGM 100:2008 (GUM), 4.2.2, equation (4); Chan, Golub and LeVeque, The American
        Statistician 37 (1983) 242, for the correction.

    Example:
        >>> sample_std_dev([10000001.0, 10000003.0, 10000002.0])
        1.0
    """
    n = len(values)
    if n < 2:
        msg = f"{n} values, expected at least 2"
        raise ValueError(msg)
    mean = sample_mean(values)
    deviations = [value - mean for value in values]
    squares = math.fsum(d * d for d in deviations) - math.fsum(deviations) ** 2 / n
    return math.sqrt(max(squares, 0.0) / (n - 1))


def lag_one_autocorrelation(values: Sequence[float]) -> float:
    r"""Lag-1 autocorrelation coefficient.

    .. math:: r_1 = \sum_{i\ge2}(y_i-\bar y)(y_{i-1}-\bar y) / \sum (y_i-\bar y)^2

    Args:
        values: [any unit]. Shape (n,), n >= 2, not all equal.

    Returns:
        Coefficient [1].

    Raises:
        ValueError: If there are fewer than two values or all are equal.

    Source:
        NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.12; certified values in the
        NIST Statistical Reference Datasets.
    """
    if len(values) < 2:
        msg = f"{len(values)} values, expected at least 2"
        raise ValueError(msg)
    mean = math.fsum(values) / len(values)
    deviations = [value - mean for value in values]
    squares = math.fsum(d * d for d in deviations)
    if squares == 0.0:
        msg = "all values are equal, expected some scatter"
        raise ValueError(msg)
    lag = math.fsum(a * b for a, b in itertools.pairwise(deviations))
    return lag / squares


@dataclass(frozen=True, slots=True)
class MeanEstimate:
    """A mean of autocorrelated values with its standard uncertainty (type A)."""

    mean: float
    std_uncertainty: float
    degrees_of_freedom: float
    count: int
    effective_count: float


def estimate_mean(values: Sequence[float]) -> MeanEstimate:
    r"""Mean of evenly spaced, autocorrelated values, and its standard uncertainty.

    .. math:: u = \frac{s}{\sqrt n} \sqrt{\frac{1+\rho}{1-\rho}}, \quad
        n_\mathrm{eff} = n \frac{1-\rho}{1+\rho}, \quad \nu = n_\mathrm{eff} - 1

    Args:
        values: Bin means of one window [any unit]. Shape (n,), n >= 4, finite, in order of time.

    Returns:
        Mean and standard uncertainty [unit of values], degrees of freedom [1], counts [1].

    Raises:
        ValueError: If there are fewer than four values.

    Validity:
        Stationary; first-order autoregressive. Run the settling rule first.

    Source:
        N. F. Zhang, Metrologia 43 (2006) S276, for the variance of the mean with known
        correlation (its AR(1) form for large n); the bias correction is ours.
    """
    n = len(values)
    if n < 4:
        msg = f"{n} values, expected at least 4"
        raise ValueError(msg)
    mean = math.fsum(values) / n
    squares = math.fsum((value - mean) ** 2 for value in values)
    # Equal values differ from their rounded mean; the correlation of that means nothing.
    rounding = n * (1e-15 * mean) ** 2
    lag_one = lag_one_autocorrelation(values) if squares > rounding else 0.0
    rho = corrected_autocorrelation(lag_one, n, 1)
    inflation = (1.0 + rho) / (1.0 - rho)
    u = math.sqrt(squares / (n - 1) / n * inflation)
    return MeanEstimate(mean, u, max(1.0, n / inflation - 1.0), n, n / inflation)


def undithered_half_step(scatter: float, step: float) -> float:
    r"""How far the mean of rounded readings may be off because noise does not dither the rounding.

    .. math:: Q = \frac q2 \, \mathrm{clip}\left(\frac{0.60 - s/q}{0.15}, 0, 1\right)

    Args:
        scatter: Standard deviation of the single readings [any unit].
        step: Smallest step shown [same unit]; 0 where there is none.

    Returns:
        Half-width of the possible error [same unit].

    Validity:
        Own rule, measured in simulation: with a scatter below 0.45 steps the mean may be off by half a
        step and the readings' scatter does not show it.

    Source:
        Own rule. The limit of half a step is arithmetic.
    """
    if step <= 0.0:
        return 0.0
    return min(1.0, max(0.0, (0.60 - scatter / step) / 0.15)) * step / 2.0
