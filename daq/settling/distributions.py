"""Distribution functions of whole arrays, to the accuracy that a probability between models needs."""

import numpy as np
from numpy.typing import NDArray

_POLYNOMIAL = (1.330274429, -1.821255978, 1.781477937, -0.356563782, 0.319381530)


def normal_cdf(x: NDArray[np.float64]) -> NDArray[np.float64]:
    r"""Probability that a standard normal variable is below `x`.

    .. math:: 1 - \Phi(x) \approx \varphi(x) (b_1 t + b_2 t^2 + … + b_5 t^5), \quad
        t = 1/(1 + 0.2316419 x), \quad x \ge 0

    Args:
        x: Values [1]. Any shape.

    Returns:
        Probabilities [1]. Same shape.

    Validity:
        Off by less than 7.5e-8.

    Source:
        Abramowitz and Stegun, Handbook of Mathematical Functions, 26.2.17.
    """
    size = np.abs(x)
    t = 1.0 / (1.0 + 0.2316419 * size)
    polynomial = np.zeros_like(size)
    for coefficient in _POLYNOMIAL:
        polynomial = (polynomial + coefficient) * t
    tail = np.exp(-0.5 * size * size) / np.sqrt(2.0 * np.pi) * polynomial
    probability: NDArray[np.float64] = np.where(x < 0.0, tail, 1.0 - tail)
    return probability


def student_t_cdf(
    x: NDArray[np.float64], degrees_of_freedom: NDArray[np.float64]
) -> NDArray[np.float64]:
    r"""Probability that Student's t is below `x`, for fractional degrees of freedom.

    .. math:: F \approx \Phi\left(\frac{x (1 - 1/4\nu)}{\sqrt{1 + x^2/2\nu}}\right)

    Args:
        x: Values [1]. Any shape.
        degrees_of_freedom: [1], > 0.25. A shape that fits.

    Returns:
        Probabilities [1]. The common shape.

    Validity:
        Off by 0.04 at two degrees of freedom, by less than 0.01 from four on.

    Source:
        Abramowitz and Stegun, 26.7.8.
    """
    shrunk = x * (1.0 - 1.0 / (4.0 * degrees_of_freedom))
    return normal_cdf(shrunk / np.sqrt(1.0 + x * x / (2.0 * degrees_of_freedom)))
