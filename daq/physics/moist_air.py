"""Moist air: its density with the uncertainty that temperature, pressure and humidity leave, and its viscosity.

Temperature and pressure are those where the air is measured: a blower's inlet 5 kPa below the room has air 5 % thinner
than the room's. Which pressure a figure is (of the bench, or reduced to sea level) is settled in `atmosphere` before.
"""

import math
from dataclasses import dataclass

from daq.physics.bounds import expect_not_negative, expect_within

_ZERO_CELSIUS_K = 273.15
_GAS_CONSTANT = 8.314472
"""[J/(mol K)], the value that CIPM-2007 was published with."""

_MOLAR_MASS_WATER = 18.01528e-3
_MOLAR_MASS_DRY = 28.96546e-3
"""Of air with 400 µmol/mol of carbon dioxide [kg/mol]."""

_CARBON_IN_PLACE_OF_OXYGEN = 12.011e-3
"""What the molar mass gains where carbon dioxide takes the place of oxygen [kg/mol]."""

USUAL_CO2 = 0.0004
"""Mole fraction of carbon dioxide that CIPM-2007 assumes where it is not measured [1]."""

VALID_TEMPERATURE_C = (15.0, 27.0)
VALID_PRESSURE_PA = (60e3, 110e3)
"""Range for which CIPM-2007 was published."""

USABLE_TEMPERATURE_C = (-40.0, 60.0)
USABLE_PRESSURE_PA = (40e3, 120e3)
"""Range in which it was held against an independent equation of state; beyond, it is refused."""

FORMULA_U_WITHIN = 22e-6
"""Relative standard uncertainty of the formula itself [1]; CIPM-2007, section on uncertainty."""

FORMULA_U_OUTSIDE = 6.5e-4
"""The same where it is extrapolated [1]: departures up to 0.11 % were found, taken as half the width of a rectangle."""

_STEP_K, _STEP_PA, _STEP_HUMIDITY = 0.1, 10.0, 0.01


@dataclass(frozen=True, slots=True)
class DensitySensitivities:
    """Relative change of density.

    Attributes:
        per_k: For one kelvin more [1/K].
        per_pa: For one pascal more [1/Pa].
        per_humidity: For a relative humidity of 1 more [1].
    """

    per_k: float
    per_pa: float
    per_humidity: float


@dataclass(frozen=True, slots=True)
class AirDensity:
    """Density of moist air.

    Attributes:
        kg_per_m3: The density [kg/m³].
        relative_std_uncertainty: From temperature, pressure, humidity and the formula [1].
        is_within_validity: Whether the formula was published for this state of the air.
    """

    kg_per_m3: float
    relative_std_uncertainty: float
    is_within_validity: bool

    @property
    def std_uncertainty(self) -> float:
        """Standard uncertainty [kg/m³]."""
        return self.relative_std_uncertainty * self.kg_per_m3


def saturation_vapour_pressure(temperature_c: float) -> float:
    r"""Pressure of water vapour over a plane surface of water.

    .. math:: p_{sv} = \exp(A T^2 + B T + C + D/T)

    Args:
        temperature_c: T [°C] (in kelvin in the formula).

    Returns:
        p_sv [Pa].

    Raises:
        ValueError: If the temperature is outside -40 to 60 °C.

    Validity:
        Over water, below 0 °C too: that is how relative humidity is defined for meters.

    Source:
        CIPM-2007: Picard, Davis, Gläser, Fujii, Metrologia 45 (2008) 149-155, appendix A.

    Example:
        >>> round(saturation_vapour_pressure(20.0), 1)
        2339.2
    """
    _expect_temperature(temperature_c)
    return _saturation_pa(temperature_c + _ZERO_CELSIUS_K)


def density_sensitivities(
    temperature_c: float, pressure_pa: float, relative_humidity: float
) -> DensitySensitivities:
    r"""By how much the density follows each of what it is made from.

    .. math:: c_i = \frac{1}{\rho} \frac{\partial \rho}{\partial x_i}

    Args:
        temperature_c: t [°C].
        pressure_pa: Static pressure of the air p [Pa].
        relative_humidity: h [1], 0 to 1.

    Returns:
        Relative sensitivities [1/K], [1/Pa], [1].

    Raises:
        ValueError: If an argument is outside the range of `moist_air_density`.

    Validity:
        As `moist_air_density`. Central differences over 0.2 K, 20 Pa and 0.02, in which the density is straight
        to better than a millionth.

    Source:
        JCGM 100:2008 (GUM), 5.1.3 with its note 2, applied to CIPM-2007.

    Example:
        >>> round(density_sensitivities(20.0, 101325.0, 0.5).per_k, 4)
        -0.0037
    """
    _expect_state(temperature_c, pressure_pa, relative_humidity)
    state = (temperature_c, pressure_pa, relative_humidity)
    return DensitySensitivities(
        _relative_slope(state, (_STEP_K, 0.0, 0.0)),
        _relative_slope(state, (0.0, _STEP_PA, 0.0)),
        _relative_slope(state, (0.0, 0.0, _STEP_HUMIDITY)),
    )


def moist_air_density(
    temperature_c: float,
    pressure_pa: float,
    relative_humidity: float,
    *,
    temperature_u_k: float = 0.0,
    pressure_u_pa: float = 0.0,
    humidity_u: float = 0.0,
    co2_fraction: float = USUAL_CO2,
) -> AirDensity:
    r"""Density of moist air, with its standard uncertainty.

    .. math:: \rho = \frac{p M_a}{Z R T} \left[1 - x_v \left(1 - \frac{M_v}{M_a}\right)\right], \quad
        \left(\frac{u(\rho)}{\rho}\right)^2 = u_f^2 + \sum (c_i u_i)^2

    Args:
        temperature_c: t [°C], -40 to 60.
        pressure_pa: Static pressure p of this air [Pa], 400 to 1200 hPa; not one reduced to sea level.
        relative_humidity: h [1], 0 to 1 (50 % is 0.5).
        temperature_u_k: Standard uncertainty of t [K].
        pressure_u_pa: Standard uncertainty of p [Pa].
        humidity_u: Standard uncertainty of h [1].
        co2_fraction: Mole fraction of carbon dioxide [1], 0 to 0.01.

    Returns:
        Density [kg/m³], its relative standard uncertainty [1], and whether the formula was published for this state.

    Raises:
        ValueError: If an argument is outside its range; a humidity above 1 is one in percent.

    Validity:
        Published for 600 to 1100 hPa and 15 to 27 °C. Outside it is extrapolated: held against an independent
        equation of state (Herrmann, Kretzschmar, Gatley 2009) it stays within 0.11 % from -40 to 60 °C and 400 to
        1200 hPa, and that enters the uncertainty. Errors of t, p and h are taken as independent.

    Source:
        CIPM-2007: Picard, Davis, Gläser, Fujii, Metrologia 45 (2008) 149-155, equation (1) and appendix A.

    Example:
        >>> air = moist_air_density(20.0, 101325.0, 0.5, temperature_u_k=0.5, pressure_u_pa=100.0, humidity_u=0.05)
        >>> round(air.kg_per_m3, 4), round(air.relative_std_uncertainty, 5), air.is_within_validity
        (1.1993, 0.00214, True)
    """
    expect_within(co2_fraction, 0.0, 0.01, name="carbon dioxide", unit="mol/mol")
    for u, name, unit in (
        (temperature_u_k, "uncertainty of the temperature", "K"),
        (pressure_u_pa, "uncertainty of the pressure", "Pa"),
        (humidity_u, "uncertainty of the humidity", ""),
    ):
        expect_not_negative(u, name=name, unit=unit)
    slope = density_sensitivities(temperature_c, pressure_pa, relative_humidity)
    within = _is_within(temperature_c, VALID_TEMPERATURE_C) and _is_within(
        pressure_pa, VALID_PRESSURE_PA
    )
    relative_u = math.hypot(
        FORMULA_U_WITHIN if within else FORMULA_U_OUTSIDE,
        slope.per_k * temperature_u_k,
        slope.per_pa * pressure_u_pa,
        slope.per_humidity * humidity_u,
    )
    density = _density(temperature_c, pressure_pa, relative_humidity, co2_fraction)
    return AirDensity(density, relative_u, within)


def air_viscosity(temperature_c: float) -> float:
    r"""Dynamic viscosity of dry air.

    .. math:: \mu = \beta T^{3/2} / (T + S)

    Args:
        temperature_c: T [°C] (in kelvin in the formula), -40 to 60.

    Returns:
        Viscosity [Pa s].

    Raises:
        ValueError: If the temperature is outside.

    Validity:
        Within 0.6 % of newer correlations near room temperature; pressure and humidity change it by less than
        1 %. An orifice's coefficient hardly notices.

    Source:
        U.S. Standard Atmosphere, 1976 (NOAA-S/T 76-1562), equation (51), Sutherland's constants there.

    Example:
        >>> round(air_viscosity(15.0) * 1e6, 3)
        17.894
    """
    _expect_temperature(temperature_c)
    T = temperature_c + _ZERO_CELSIUS_K
    return 1.458e-6 * math.pow(T, 1.5) / (T + 110.4)


def _density(t: float, p: float, h: float, co2_fraction: float) -> float:
    """CIPM-2007, equation (1), with the compressibility factor of its appendix."""
    T = t + _ZERO_CELSIUS_K
    xv = _vapour_fraction(t, p, h)
    virial = (
        1.58123e-6
        + (-2.9331e-8 + 1.1043e-10 * t) * t
        + (5.707e-6 - 2.051e-8 * t) * xv
        + (1.9898e-4 - 2.376e-6 * t) * xv**2
    )
    Z = 1.0 - p / T * virial + (p / T) ** 2 * (1.83e-11 - 0.765e-8 * xv**2)
    Ma = _MOLAR_MASS_DRY + _CARBON_IN_PLACE_OF_OXYGEN * (co2_fraction - USUAL_CO2)
    return (
        p * Ma / (Z * _GAS_CONSTANT * T) * (1.0 - xv * (1.0 - _MOLAR_MASS_WATER / Ma))
    )


def _vapour_fraction(t: float, p: float, h: float) -> float:
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    return h * enhancement * _saturation_pa(t + _ZERO_CELSIUS_K) / p


def _saturation_pa(T: float) -> float:
    return math.exp(
        1.2378847e-5 * T**2 - 1.9121316e-2 * T + 33.93711047 - 6.3431645e3 / T
    )


def _relative_slope(
    state: tuple[float, float, float], step: tuple[float, float, float]
) -> float:
    """Central difference; it may look past a humidity of 0 or 1, where the formula goes on smoothly."""
    t, p, h = state
    dt, dp, dh = step
    above = _density(t + dt, p + dp, h + dh, USUAL_CO2)
    below = _density(t - dt, p - dp, h - dh, USUAL_CO2)
    return (above - below) / (2.0 * max(step) * _density(t, p, h, USUAL_CO2))


def _is_within(value: float, limits: tuple[float, float]) -> bool:
    low, high = limits
    return low <= value <= high


def _expect_temperature(temperature_c: float) -> None:
    expect_within(temperature_c, *USABLE_TEMPERATURE_C, name="temperature", unit="°C")


def _expect_state(t: float, p: float, h: float) -> None:
    _expect_temperature(t)
    expect_within(p, *USABLE_PRESSURE_PA, name="pressure", unit="Pa")
    expect_within(h, 0.0, 1.0, name="relative humidity", unit="(50 % is 0.5)")
