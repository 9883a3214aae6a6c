"""Fan laws: what the same fan would show at another density or another speed.

They hold for a fan whose speed is held. A universal (series) motor runs faster when it has less to do, so its speed is not
the same at another density or voltage: figures from here are "density-corrected", never a prediction for another place.
"""

from dataclasses import dataclass

from daq.physics.bounds import expect_positive


@dataclass(frozen=True, slots=True)
class FanPoint:
    """One operating point.

    Attributes:
        flow_m3_per_s: Actual flow [m³/s].
        pressure_pa: Pressure rise [Pa].
        power_w: Shaft power [W].
    """

    flow_m3_per_s: float
    pressure_pa: float
    power_w: float


def point_at_density(
    point: FanPoint, density_kg_per_m3: float, to_density_kg_per_m3: float
) -> FanPoint:
    r"""The same fan at the same speed in air of another density.

    .. math:: Q' = Q, \quad p' = p \rho'/\rho, \quad P' = P \rho'/\rho

    Args:
        point: As measured [m³/s], [Pa], [W].
        density_kg_per_m3: Of the air at the fan's inlet rho [kg/m³].
        to_density_kg_per_m3: Of the other air rho' [kg/m³].

    Returns:
        The point in the other air [m³/s], [Pa], [W].

    Raises:
        ValueError: If a density is not above 0.

    Validity:
        The speed is held. A universal motor's is not: then it is a "density-corrected" figure and no prediction. The
        system asks for pressure in proportion to density too, so the point stays where curves cross.

    Source:
        Fan similarity laws, conversion rules of ISO 5801 and AMCA 210.

    Example:
        >>> corrected = point_at_density(FanPoint(0.1, 500.0, 300.0), 1.2, 1.11735)
        >>> round(corrected.pressure_pa, 3), round(corrected.power_w, 3)
        (465.563, 279.338)
    """
    expect_positive(density_kg_per_m3, name="density", unit="kg/m³")
    expect_positive(to_density_kg_per_m3, name="other density", unit="kg/m³")
    ratio = to_density_kg_per_m3 / density_kg_per_m3
    return FanPoint(
        point.flow_m3_per_s, point.pressure_pa * ratio, point.power_w * ratio
    )


def point_at_speed(point: FanPoint, speed_ratio: float) -> FanPoint:
    r"""The same fan in the same air at another speed.

    .. math:: Q' = s Q, \quad p' = s^2 p, \quad P' = s^3 P

    Args:
        point: As measured [m³/s], [Pa], [W].
        speed_ratio: New speed over the old s [1], above 0.

    Returns:
        The point at the other speed [m³/s], [Pa], [W].

    Raises:
        ValueError: If the ratio is not above 0.

    Validity:
        The system's resistance grows with the square of the flow (a filter's does not quite), and the Reynolds number
        stays in the same range.

    Source:
        Fan similarity laws, conversion rules of ISO 5801 and AMCA 210.

    Example:
        >>> slower = point_at_speed(FanPoint(1.0, 1.0, 1.0), 0.9)
        >>> round(slower.flow_m3_per_s, 3), round(slower.pressure_pa, 3), round(slower.power_w, 3)
        (0.9, 0.81, 0.729)
    """
    expect_positive(speed_ratio, name="speed ratio", unit="")
    return FanPoint(
        speed_ratio * point.flow_m3_per_s,
        speed_ratio**2 * point.pressure_pa,
        speed_ratio**3 * point.power_w,
    )
