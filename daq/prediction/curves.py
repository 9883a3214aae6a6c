"""How one quantity of a machine depends on the voltage at it: a power law that may bend a little.

Motors, fans and supplies follow powers of the voltage over a few volts: ln y is nearly straight in ln V. How much the
power itself may change is stated beforehand; the points correct that as far as they can, and far from them what is left
open makes the interval grow with the square of the distance.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.comparison.observations import Observation, Quantity
from daq.prediction.fitting import Fit, Known, fit_known
from daq.prediction.points import Elsewhere, Points, logarithm, points_of

CURVATURE_U = 1.0
"""Standard uncertainty of the bend [1]: the power may change by 0.2 over 10 % of voltage; our own assumption.

A series motor on a fan, reckoned from its equations without saturation, bends by less than 0.1.
"""


@dataclass(frozen=True, slots=True)
class Curve:
    """One quantity over the voltage at the machine.

    Attributes:
        quantity: What.
        points: Logarithms that it was fitted to [1].
        centre: Logarithm of the voltage that the fit is about [1].
        fit: Of ln y over ln V less the centre: level, power, bend.
    """

    quantity: Quantity
    points: Points
    centre: float
    fit: Fit

    def row(self, voltage_v: float) -> NDArray[np.float64]:
        """What the parameters are multiplied by at a voltage [V]. Shape (3,)."""
        x = math.log(voltage_v) - self.centre
        return np.array([1.0, x, x * x])

    def value(
        self, voltage_v: float, parameters: NDArray[np.float64] | None = None
    ) -> float:
        """The quantity at a voltage, by the fit or by other parameters [unit of the quantity]."""
        used = self.fit.parameters if parameters is None else parameters
        return math.exp(float(self.row(voltage_v) @ used))

    def expanded_uncertainty(self, voltage_v: float) -> float:
        """Of the fit alone, 95 %, errors that all conditions share left out [unit of the quantity]."""
        row = self.row(voltage_v)
        u = math.sqrt(float(row @ self.fit.covariance @ row))
        return self.fit.coverage_factor * u * self.value(voltage_v)


def fit_curve(
    quantity: Quantity,
    pairs: Sequence[tuple[Observation, Observation]],
    elsewhere: Elsewhere,
) -> Curve:
    """Fit a quantity to the voltage at the machine.

    Args:
        quantity: What.
        pairs: Voltage [V] and quantity of each trial, all above zero.
        elsewhere: What else is known of its spread between trials.
    """
    points = points_of([(logarithm(v), logarithm(y)) for v, y in pairs], elsewhere)
    return curve_through(quantity, points)


def curve_through(quantity: Quantity, points: Points) -> Curve:
    r"""Fit a bent power law.

    .. math:: \ln y = a + b \ln\frac{V}{V_0} + c \left(\ln\frac{V}{V_0}\right)^2, \quad c = 0 \pm u_c

    Args:
        quantity: What y is.
        points: Logarithms [1].

    Returns:
        Curve [unit of the quantity].

    Validity:
        Machines without a switching point within the range: a speed control that lets go below some volts makes a kink.
        What the points show of it is carried as excess.

    Source:
        Own choice of model; `fit_known` for the fit.
    """
    centre = float(points.x.mean())
    x = points.x - centre
    known = Known(np.zeros(3), np.array([math.inf, math.inf, CURVATURE_U]))
    fit = fit_known(
        np.stack([np.ones_like(x), x, x * x], axis=1),
        points.y,
        points.variances,
        known=known,
        spread_degrees=points.spread_degrees,
    )
    return Curve(quantity, points, centre, fit)
