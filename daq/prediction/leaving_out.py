"""How well a session predicts itself: each inner condition is left out, and predicted from the others."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from daq.prediction.curves import Curve, curve_through
from daq.prediction.machine import Machine
from daq.stats import student_t_quantile


@dataclass(frozen=True, slots=True)
class LeftOutCheck:
    """One quantity under one condition, predicted without it.

    Attributes:
        name: Of the curve.
        condition: Left out.
        voltage_v: At the machine under it [V].
        ratio: Measured over predicted [1].
        expanded_uncertainty: Of the ratio, 95 %, what prediction and measurement have for themselves together [1].
    """

    name: str
    condition: str
    voltage_v: float
    ratio: float
    expanded_uncertainty: float

    @property
    def agrees(self) -> bool:
        """Whether the measurement lies within the interval."""
        return abs(self.ratio - 1.0) <= self.expanded_uncertainty


def leave_one_out(machine: Machine) -> tuple[LeftOutCheck, ...]:
    """Predict every inner condition, at the voltage it had, from the others.

    Args:
        machine: As a session found it.

    Returns:
        A check a curve and condition; none for the lowest and the highest voltage, which would be extrapolated.
    """
    return tuple(
        check
        for name, curve in machine.curves.items()
        for check in _checks(name, curve)
    )


def _checks(name: str, curve: Curve) -> Iterator[LeftOutCheck]:
    points = curve.points
    for index in range(1, len(points.conditions) - 1):
        condition = points.conditions[index]
        others = curve_through(curve.quantity, points.without(condition))
        voltage_v = math.exp(points.x[index])
        row, fit = others.row(voltage_v), others.fit
        # Errors that all conditions share are the same on both sides.
        u_fit = math.sqrt(float(row @ fit.covariance @ row) + fit.excess**2)
        own = math.sqrt(points.variances[index])
        k_own = (
            student_t_quantile(0.975, points.spread_degrees)
            if points.spread_degrees
            else fit.coverage_factor
        )
        yield LeftOutCheck(
            name,
            condition,
            voltage_v,
            math.exp(points.y[index]) / others.value(voltage_v),
            math.hypot(fit.coverage_factor * u_fit, k_own * own),
        )
