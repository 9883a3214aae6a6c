"""Air power and what it is of the power put in.

Flow and pressure belong to the same plane and the same opening. A quoted air power is the peak of their product along a
series of openings; figures found with different test boxes are not interchangeable.
"""

import math
from dataclasses import dataclass

from daq.physics.bounds import expect_not_negative, expect_positive

US_CUSTOMARY_W = 0.117354
"""Air power of 1 ft³/min at 1 inch of water [W]; the constant of ASTM F558."""


@dataclass(frozen=True, slots=True)
class Efficiency:
    """Air power over the power put in [1], with its standard uncertainty [1]."""

    value: float
    std_uncertainty: float


def air_power(flow_m3_per_s: float, pressure_pa: float) -> float:
    r"""Power in a flow of air.

    .. math:: P = Q p

    Args:
        flow_m3_per_s: Actual flow Q at the plane where the pressure is taken [m³/s].
        pressure_pa: Pressure rise, or suction, p [Pa].

    Returns:
        P [W].

    Raises:
        ValueError: If one is negative or not finite.

    Validity:
        Incompressible: at 20 kPa the work of compression differs by several percent. Kinetic energy in the hose
        is not in it.

    Source:
        Definition of the work of a volume against a pressure.

    Example:
        >>> air_power(0.030, 10_000.0)
        300.0
    """
    expect_not_negative(flow_m3_per_s, name="flow", unit="m³/s")
    expect_not_negative(pressure_pa, name="pressure", unit="Pa")
    return flow_m3_per_s * pressure_pa


def air_power_us_customary(flow_cfm: float, suction_in_h2o: float) -> float:
    r"""Air power as it is quoted in inch-pound units.

    .. math:: P = 0.117354 \, F S

    Args:
        flow_cfm: F [ft³/min].
        suction_in_h2o: S [inch of water of about 68 °F, 248.66 Pa].

    Returns:
        P [W].

    Raises:
        ValueError: If one is negative or not finite.

    Validity:
        The constant implies an inch of 248.66 Pa; with the conventional one of 249.089 Pa (daq.units) `air_power`
        is 0.17 % higher. Say which was used.

    Source:
        ASTM F558, constant as publicly quoted from its 2013 edition.

    Example:
        >>> round(air_power_us_customary(60.0, 40.0), 2)
        281.65
    """
    expect_not_negative(flow_cfm, name="flow", unit="ft³/min")
    expect_not_negative(suction_in_h2o, name="suction", unit="inH2O")
    return US_CUSTOMARY_W * flow_cfm * suction_in_h2o


def efficiency(
    air_power_w: float,
    input_power_w: float,
    *,
    air_power_u_w: float = 0.0,
    input_power_u_w: float = 0.0,
) -> Efficiency:
    r"""Efficiency from wall to air.

    .. math:: \eta = P_{air}/P_{in}, \quad
        u^2(\eta) = \frac{u^2(P_{air}) + \eta^2 u^2(P_{in})}{P_{in}^2}

    Args:
        air_power_w: P_air [W], not negative.
        input_power_w: Active electric power P_in [W], above 0.
        air_power_u_w: Standard uncertainty of P_air [W].
        input_power_u_w: Standard uncertainty of P_in [W].

    Returns:
        Efficiency [1] with its standard uncertainty [1].

    Raises:
        ValueError: If a power is outside its range, or more comes out than goes in.

    Validity:
        Both powers over the same time; independent errors. Nearly independent of the air's density, as air power is
        not.

    Source:
        Definition; JCGM 100:2008 (GUM), equation (10).

    Example:
        >>> round(efficiency(281.65, 1200.0).value, 6)
        0.234708
    """
    expect_not_negative(air_power_w, name="air power", unit="W")
    expect_positive(input_power_w, name="power put in", unit="W")
    expect_not_negative(air_power_u_w, name="uncertainty of the air power", unit="W")
    expect_not_negative(
        input_power_u_w, name="uncertainty of the power put in", unit="W"
    )
    value = air_power_w / input_power_w
    if value > 1.0:
        msg = f"air power {air_power_w:g} W, expected at most the {input_power_w:g} W put in: check units and scaling"
        raise ValueError(msg)
    u = math.hypot(air_power_u_w, value * input_power_u_w) / input_power_w
    return Efficiency(value, u)
