"""From velocity to flow in a duct: its area, where to measure, and what one reading in the middle is worth.

A traverse weighs its points equally: the mean velocity is their plain mean. Pressure differences of a pitot tube are not
averaged but their roots (`pitot.mean_pitot_velocity`).
"""

import math
from enum import StrEnum

from daq.physics.bounds import expect_positive, expect_within


class TraverseRule(StrEnum):
    """How the points of a traverse in a round duct are chosen."""

    LOG_LINEAR = "log-linear"
    LOG_TCHEBYCHEFF = "log-Tchebycheff"


_ROUND: dict[tuple[TraverseRule, int], tuple[float, ...]] = {
    (TraverseRule.LOG_LINEAR, 3): (0.032, 0.135, 0.321),
    (TraverseRule.LOG_LINEAR, 4): (0.021, 0.117, 0.184, 0.345),
    (TraverseRule.LOG_LINEAR, 5): (0.019, 0.077, 0.153, 0.217, 0.361),
    (TraverseRule.LOG_TCHEBYCHEFF, 3): (0.0321, 0.1374, 0.3123),
    (TraverseRule.LOG_TCHEBYCHEFF, 4): (0.0238, 0.1000, 0.1938, 0.3343),
}
"""Distance from the wall over the diameter [1], on one radius, from the wall inwards."""

_RECTANGULAR: dict[int, tuple[float, ...]] = {
    5: (0.074, 0.288, 0.500, 0.712, 0.926),
    6: (0.061, 0.235, 0.437, 0.563, 0.765, 0.939),
    7: (0.053, 0.203, 0.366, 0.500, 0.634, 0.797, 0.947),
}
"""Distance from the wall over the side's length [1]."""


def circular_area(diameter_m: float) -> float:
    r"""Area of a round duct.

    .. math:: A = \pi D^2 / 4

    Args:
        diameter_m: Inner diameter D [m].

    Returns:
        A [m²].

    Raises:
        ValueError: If the diameter is not above 0.

    Validity:
        A circle; 1 % in the diameter is 2 % in the area.

    Source:
        Geometry.

    Example:
        >>> round(circular_area(0.1), 8)
        0.00785398
    """
    expect_positive(diameter_m, name="diameter", unit="m")
    return math.pi / 4.0 * diameter_m**2


def rectangular_area(width_m: float, height_m: float) -> float:
    r"""Area of a rectangular duct.

    .. math:: A = a b

    Args:
        width_m: Inner width a [m].
        height_m: Inner height b [m].

    Returns:
        A [m²].

    Raises:
        ValueError: If a side is not above 0.

    Validity:
        Sharp corners.

    Source:
        Geometry.

    Example:
        >>> rectangular_area(0.5, 0.25)
        0.125
    """
    expect_positive(width_m, name="width", unit="m")
    expect_positive(height_m, name="height", unit="m")
    return width_m * height_m


def flow_from_velocity(
    velocity_m_per_s: float, area_m2: float, *, profile_factor: float = 1.0
) -> float:
    r"""Volume flow from a velocity in a duct.

    .. math:: Q = F v A

    Args:
        velocity_m_per_s: As measured v: at one point, or a traverse's mean [m/s].
        area_m2: Of the duct where it was measured A [m²].
        profile_factor: Mean velocity over the duct by the measured one F [1], above 0 up to 1.5; 1 for a traverse.

    Returns:
        Q [m³/s], at the density of the air that passes.

    Raises:
        ValueError: If area or factor is outside, or the velocity is not finite.

    Validity:
        No swirl and no backflow. The factor of one fixed point holds for the duct in which it was found.

    Source:
        Definition of the mean velocity; ISO 3966, velocity-area method.

    Example:
        >>> round(flow_from_velocity(15.2789, circular_area(0.05)) * 1000.0, 3)
        30.0
    """
    expect_within(velocity_m_per_s, -1e3, 1e3, name="velocity", unit="m/s")
    expect_positive(area_m2, name="area", unit="m²")
    expect_positive(profile_factor, name="profile factor", unit="")
    expect_within(profile_factor, 0.0, 1.5, name="profile factor", unit="")
    return profile_factor * velocity_m_per_s * area_m2


def profile_factor_of_centre(n: float) -> float:
    r"""Mean velocity of a round duct over that in its middle, for a power-law profile.

    .. math:: v(y) \propto y^{1/n}, \quad F = \frac{2 n^2}{(n + 1)(2 n + 1)}

    Args:
        n: Inverse of the profile's exponent [1]; 7 is usual, 6 to 10 for pipe Reynolds numbers of 4e3 to 3e6.

    Returns:
        F [1].

    Raises:
        ValueError: If n is outside 1 to 20.

    Validity:
        Fully developed turbulent flow, long after bends and fans. Behind a short hose it is a guess: allow several
        percent, or take a traverse.

    Source:
        Integral of the power law over the circle; exponents: Schlichting, Boundary-Layer Theory, chapter on pipe flow.

    Example:
        >>> round(profile_factor_of_centre(7.0), 6)
        0.816667
    """
    expect_within(n, 1.0, 20.0, name="inverse exponent", unit="")
    return 2.0 * n**2 / ((n + 1.0) * (2.0 * n + 1.0))


def circular_traverse(rule: TraverseRule, points_per_radius: int) -> tuple[float, ...]:
    r"""Where to measure along a diameter of a round duct.

    .. math:: \bar v = \frac{1}{m} \sum v_i

    Args:
        rule: How the points are chosen [one of TraverseRule].
        points_per_radius: On each side of the middle [1]: 3, 4 or 5 (log-linear), 3 or 4 (log-Tchebycheff).

    Returns:
        Distances from one wall over the diameter [1], across the whole diameter; measure on two diameters at
        right angles, or three.

    Raises:
        ValueError: If there is no such set.

    Validity:
        Nearly developed flow. On a 1/7-power profile the plain mean is 0.15 to 0.35 % low.

    Source:
        ISO 3966. Log-linear: to three digits, as instructions of air-velocity meters reproduce the standard.
        Log-Tchebycheff: recomputed from the rule (logarithmic law in the outer ring, Chebyshev's equal weights within:
        Abramowitz and Stegun, 25.4.28).

    Example:
        >>> circular_traverse(TraverseRule.LOG_LINEAR, 3)
        (0.032, 0.135, 0.321, 0.679, 0.865, 0.968)
    """
    radius = _ROUND.get((rule, points_per_radius))
    if radius is None:
        known = ", ".join(str(points) for kind, points in _ROUND if kind is rule)
        msg = f"{points_per_radius} points a radius, expected {known} for the {rule.value} rule"
        raise ValueError(msg)
    return (*radius, *(round(1.0 - position, 4) for position in reversed(radius)))


def rectangular_traverse(lines: int) -> tuple[float, ...]:
    r"""Where to measure along one side of a rectangular duct, by the log-Tchebycheff rule.

    .. math:: \bar v = \frac{1}{m} \sum v_i

    Args:
        lines: Number of lines across this side [1]: 5, 6 or 7; choose for each side.

    Returns:
        Distances from the wall over the side's length [1].

    Raises:
        ValueError: If there is no such set.

    Validity:
        Nearly developed flow; at least 25 points in all.

    Source:
        ISO 3966 and ASHRAE 111, as instructions of air-velocity meters reproduce them; recomputed from the rule.

    Example:
        >>> rectangular_traverse(5)
        (0.074, 0.288, 0.5, 0.712, 0.926)
    """
    if lines not in _RECTANGULAR:
        msg = f"{lines} lines, expected {', '.join(map(str, _RECTANGULAR))}"
        raise ValueError(msg)
    return _RECTANGULAR[lines]
