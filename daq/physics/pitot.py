"""Velocity of air from the pressure difference of a pitot tube.

Needs the density of the air at the tube; where that is a fixed figure of the meter, `airflow` corrects what it shows.
"""

import math
from collections.abc import Sequence

from daq.physics.bounds import expect_not_negative, expect_positive, expect_within

ISENTROPIC_EXPONENT = 1.4
"""Of air [1]."""


def pitot_velocity(
    pressure_difference_pa: float,
    density_kg_per_m3: float,
    *,
    tube_factor: float = 1.0,
    static_pressure_pa: float | None = None,
) -> float:
    r"""Velocity of the air at a pitot tube's tip.

    .. math:: v = \alpha \, \varphi \sqrt{2 \Delta p / \rho}, \quad
        \varphi^2 = \frac{\kappa}{\kappa - 1} \frac{p}{\Delta p}
        \left[\left(1 + \frac{\Delta p}{p}\right)^{(\kappa - 1)/\kappa} - 1\right]

    Args:
        pressure_difference_pa: Total less static pressure dp [Pa], not negative.
        density_kg_per_m3: Of the air at the tube rho [kg/m³].
        tube_factor: Calibration factor of the tube alpha [1], 0.5 to 1.5; 1 for a standard tube with round or
            ellipsoidal nose.
        static_pressure_pa: Absolute static pressure p [Pa]; None leaves the air incompressible.

    Returns:
        v [m/s].

    Raises:
        ValueError: If dp is negative (tubes swapped?) or another argument is outside its range.

    Validity:
        Tube parallel to the flow and thin against the duct. At 2 m/s the pressure is 2.4 Pa: there the gauge's zero
        decides. Incompressible, it is 0.35 % high at 2 kPa (58 m/s).

    Source:
        Bernoulli's equation; ISO 3966. Compressible: isentropic relation of pressure and Mach number, NACA Report 1135
        (1953), with kappa = 1.4.

    Example:
        >>> round(pitot_velocity(100.0, 1.2), 5)
        12.90994
    """
    expect_not_negative(pressure_difference_pa, name="pressure difference", unit="Pa")
    expect_positive(density_kg_per_m3, name="density", unit="kg/m³")
    expect_within(tube_factor, 0.5, 1.5, name="factor of the tube", unit="")
    incompressible = math.sqrt(2.0 * pressure_difference_pa / density_kg_per_m3)
    if static_pressure_pa is None:
        return tube_factor * incompressible
    expect_positive(static_pressure_pa, name="static pressure", unit="Pa")
    return (
        tube_factor
        * incompressible
        * _compressibility(pressure_difference_pa / static_pressure_pa)
    )


def mean_pitot_velocity(
    pressure_differences_pa: Sequence[float],
    density_kg_per_m3: float,
    *,
    tube_factor: float = 1.0,
    static_pressure_pa: float | None = None,
) -> float:
    r"""Mean velocity from the pressure differences of a traverse: the mean of roots, not the root of the mean.

    .. math:: \bar v = \frac{1}{m} \sum v(\Delta p_i)

    Args:
        pressure_differences_pa: At each point of the traverse [Pa].
        density_kg_per_m3: Of the air at the tube [kg/m³].
        tube_factor: As for `pitot_velocity` [1].
        static_pressure_pa: As for `pitot_velocity` [Pa].

    Returns:
        Mean velocity [m/s].

    Raises:
        ValueError: If there is no point, or as `pitot_velocity`.

    Validity:
        Points of equal weight, as in `ducts`. The root of the mean pressure would always be too high.

    Source:
        ISO 3966, mean of the local velocities.

    Example:
        >>> round(mean_pitot_velocity([0.0, 100.0], 1.2), 5)
        6.45497
    """
    if not pressure_differences_pa:
        msg = "no point of a traverse, expected at least one pressure difference"
        raise ValueError(msg)
    velocities = [
        pitot_velocity(
            each,
            density_kg_per_m3,
            tube_factor=tube_factor,
            static_pressure_pa=static_pressure_pa,
        )
        for each in pressure_differences_pa
    ]
    return math.fsum(velocities) / len(velocities)


def _compressibility(ratio: float) -> float:
    """By how much the air's compression lowers the velocity; ratio is dp/p."""
    if ratio == 0.0:
        return 1.0
    power = (ISENTROPIC_EXPONENT - 1.0) / ISENTROPIC_EXPONENT
    # expm1 and log1p: at small ratios the difference from 1 would be lost in rounding.
    return math.sqrt(math.expm1(power * math.log1p(ratio)) / (power * ratio))
