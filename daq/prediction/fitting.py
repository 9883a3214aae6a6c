"""A straight-forward weighted fit that knows something beforehand of some of its parameters, and doubts itself.

Where the points lie farther from the fit than their own uncertainties allow, the model is not the whole truth: what is
missing is estimated from the residuals and carried as a further variance of every point.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.stats import student_t_quantile

_NO_VARIANCE = 1e-18
"""A point without any scatter still gets a weight that can be reckoned with [unit of the values, squared]."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted model.

    Attributes:
        parameters: Estimates. Shape (p,).
        covariance: Of them. Shape (p, p).
        estimator: What changes of the values do to the parameters. Shape (p, n).
        excess: Standard deviation of the points from the model beyond their own [unit of the values].
        degrees_of_freedom: Of what the uncertainty rests on [1].
    """

    parameters: NDArray[np.float64]
    covariance: NDArray[np.float64]
    estimator: NDArray[np.float64]
    excess: float
    degrees_of_freedom: float

    @property
    def coverage_factor(self) -> float:
        """Student's t for 95 % [1]."""
        return student_t_quantile(0.975, self.degrees_of_freedom)

    def directions(self) -> list[NDArray[np.float64]]:
        """Independent changes of the parameters, one standard uncertainty each. Shapes (p,)."""
        sizes, axes = np.linalg.eigh(self.covariance)
        return [
            axis * math.sqrt(size)
            for size, axis in zip(sizes, axes.T, strict=True)
            if size > 0.0
        ]


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the parameters beforehand.

    Attributes:
        mean: Expected. Shape (p,).
        std_uncertainty: Of that; inf where nothing is known. Shape (p,).
    """

    mean: NDArray[np.float64]
    std_uncertainty: NDArray[np.float64]


def fit_known(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    variances: NDArray[np.float64],
    *,
    known: Known,
    spread_degrees: float | None,
) -> Fit:
    r"""Fit a linear model to points with known variances and with knowledge of some parameters.

    .. math:: \beta = C \left(X^T W y + P \beta_0\right), \quad C = (X^T W X + P)^{-1}, \quad
        W = \mathrm{diag}\frac{1}{v_i + \delta^2}

    with the least excess variance for which

    .. math:: \sum \frac{r_i^2}{v_i + \delta^2} + \sum \frac{(\beta_j - \beta_{0,j})^2}{u_j^2} \le n - f

    where f is the number of parameters of which nothing is known.

    Args:
        design: X [1]. Shape (n, p), n >= f.
        values: y [any unit]. Shape (n,).
        variances: v of the values [unit squared]. Shape (n,).
        known: Beforehand [units of the parameters].
        spread_degrees: Degrees of freedom of the spread that v rests on [1]; None where v holds no spread between
            trials, so that the residuals alone tell it.

    Returns:
        Fit [units of the parameters].

    Validity:
        Independent points. With few points the excess is known badly: n - f degrees of freedom are taken where it stands
        alone, those of the spread where that is known.

    Source:
        JCGM 100:2008 (GUM), H.3 for the fit, with pseudo-observations for what is known; R. C. Paule and J. Mandel,
        J. Res. NBS 87 (1982) 377, for the excess variance (cited from memory).

    Example:
        >>> flat = Known(np.zeros(1), np.full(1, np.inf))
        >>> fit = fit_known(np.ones((4, 1)), np.array([1.0, 2.0, 3.0, 4.0]), np.zeros(4), known=flat, spread_degrees=None)
        >>> round(float(fit.parameters[0]), 6), round(math.sqrt(fit.covariance[0, 0]), 6)
        (2.5, 0.645497)
    """
    degrees = values.size - int(np.isinf(known.std_uncertainty).sum())
    excess = _excess(design, values, variances, known, degrees)
    parameters, covariance, estimator = _solved(
        design, values, variances + excess, known
    )
    return Fit(
        parameters,
        covariance,
        estimator,
        math.sqrt(excess),
        max(degrees, 1) if spread_degrees is None else spread_degrees,
    )


def _excess(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    variances: NDArray[np.float64],
    known: Known,
    degrees: int,
) -> float:
    """Variance that the points need on top of their own, for residuals no larger than expected."""

    def surplus(excess: float) -> float:
        total = variances + excess
        parameters, _, _ = _solved(design, values, total, known)
        residuals = values - design @ parameters
        apart = (parameters - known.mean) / known.std_uncertainty
        size = np.sum(residuals**2 / (total + _NO_VARIANCE)) + np.sum(apart**2)
        return float(size) - degrees

    if degrees < 1 or surplus(0.0) <= 0.0:
        return 0.0
    low, high = 0.0, _NO_VARIANCE + float(np.mean(variances))
    while surplus(high) > 0.0:
        low, high = high, 4.0 * high
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if surplus(middle) > 0.0 else (low, middle)
    return high


def _solved(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    variances: NDArray[np.float64],
    known: Known,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Parameters, their covariance, and what turns values into them."""
    weighted = (design / (variances + _NO_VARIANCE)[:, np.newaxis]).T
    precision = 1.0 / known.std_uncertainty**2
    covariance = np.asarray(
        np.linalg.inv(weighted @ design + np.diag(precision)), dtype=np.float64
    )
    estimator = covariance @ weighted
    parameters = estimator @ values + covariance @ (precision * known.mean)
    return parameters, covariance, estimator
