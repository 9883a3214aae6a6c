"""Air pressure at the bench, from whatever is known of it: a barometer there, a weather service, or the altitude.

The trap: weather services, telephones and many sensors show pressure reduced to sea level. Taken for the bench's own at
914 m it makes the air 11.6 % too dense. So the kind of a pressure is part of its statement; nothing is guessed.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from daq.physics.bounds import expect_not_negative, expect_within

STANDARD_PRESSURE_PA = 101325.0
"""At sea level [Pa]; ISO 2533."""

_STANDARD_TEMPERATURE_K = 288.15
_ZERO_CELSIUS_K = 273.15
_LAPSE_K_PER_M = 0.0065
_GRAVITY = 9.80665
_GAS_CONSTANT_DRY = 287.05287
_EXPONENT = _GRAVITY / (_GAS_CONSTANT_DRY * _LAPSE_K_PER_M)
_EARTH_RADIUS_M = 6_356_766.0

LOWEST_M, HIGHEST_M = -2000.0, 11_000.0
"""Geopotential altitudes of the standard's lowest layer [m]."""

REDUCIBLE_M = -1000.0, 6000.0
"""Altitudes of benches whose pressure is taken back from sea level [m]."""

ALTITUDE_ALONE_U = 0.015
"""Relative standard uncertainty of a pressure from the altitude alone [1].

Common practice, no published source: weather moves it by about 2 % to either side, a warm or cold column of air adds to that.
"""

COLUMN_U_K = 15.0
"""Standard uncertainty of the temperature of the air between sea level and the bench [K]; our assumption.

Some services reduce with the standard's temperature, others with the day's; which it was is rarely told. Twice as much
reaches from a frost of -15 °C to a day of 42 °C at 914 m.
"""

KNOWN_COLUMN_U_K = 5.0
"""As `COLUMN_U_K`, where the temperature of the air outdoors is known [K]; our assumption.

Services take a mean of some hours, some add for moisture, and the lapse of the day is not the standard's.
"""

LOOKS_REDUCED_ABOVE = 0.05
"""A pressure at the bench higher than the standard's by this share [1] is rarer than one that was reduced."""


class PressureKind(StrEnum):
    """What a statement of air pressure is."""

    STATION = "station"
    SEA_LEVEL = "sea level"
    ALTITUDE = "altitude"


@dataclass(frozen=True, slots=True)
class PressureStatement:
    """What is known of the air pressure.

    Attributes:
        kind: As a barometer at the bench shows it, reduced to sea level, or none but the altitude.
        pressure_pa: The figure [Pa]; None for an altitude alone.
        altitude_m: Of the bench above sea level [m]; needed unless the pressure is the bench's own.
        pressure_u_pa: Standard uncertainty of the figure [Pa].
        air_c: Temperature of the air at the bench's height with which it was reduced to sea level [°C]; None where that
            is not known.
        air_u_k: Standard uncertainty of the column's mean temperature that follows from it [K].
    """

    kind: PressureKind
    pressure_pa: float | None = None
    altitude_m: float | None = None
    pressure_u_pa: float = 0.0
    air_c: float | None = None
    air_u_k: float = KNOWN_COLUMN_U_K


@dataclass(frozen=True, slots=True)
class StationPressure:
    """Air pressure at the bench.

    Attributes:
        pressure_pa: [Pa].
        std_uncertainty_pa: [Pa].
        looks_reduced: Whether it was stated as the bench's own but is what one reduced to sea level would be.
    """

    pressure_pa: float
    std_uncertainty_pa: float
    looks_reduced: bool = False


def geopotential_altitude(geometric_m: float) -> float:
    r"""Geopotential altitude, in which the standard atmosphere is written.

    .. math:: H = r z / (r + z)

    Args:
        geometric_m: Height above mean sea level z, as maps have it [m].

    Returns:
        H [m].

    Raises:
        ValueError: If the altitude is outside -2000 to 11 000 m.

    Validity:
        Below 3 km the two differ by less than 0.05 %, the pressure by less than 0.02 %.

    Source:
        ISO 2533:1975; U.S. Standard Atmosphere, 1976, equation (18); nominal radius r = 6 356 766 m.

    Example:
        >>> round(geopotential_altitude(1609.344), 2)
        1608.94
    """
    _expect_altitude(geometric_m)
    return _EARTH_RADIUS_M * geometric_m / (_EARTH_RADIUS_M + geometric_m)


def pressure_from_altitude(geopotential_m: float) -> float:
    r"""Pressure of the standard atmosphere.

    .. math:: p = p_0 (1 - \beta H / T_0)^{g / (R \beta)}

    Args:
        geopotential_m: Geopotential altitude H [m], -2000 to 11 000.

    Returns:
        p [Pa].

    Raises:
        ValueError: If the altitude is outside.

    Validity:
        A yearly mean of middle latitudes. On a given day the pressure is about 1.5 % off (`ALTITUDE_ALONE_U`).

    Source:
        ISO 2533:1975; U.S. Standard Atmosphere, 1976, equation (33a), which is the same below 11 km.

    Example:
        >>> round(pressure_from_altitude(914.0), 2)
        90816.06
    """
    _expect_altitude(geopotential_m)
    share = 1.0 - _LAPSE_K_PER_M * geopotential_m / _STANDARD_TEMPERATURE_K
    return STANDARD_PRESSURE_PA * math.pow(share, _EXPONENT)


def altitude_from_pressure(pressure_pa: float) -> float:
    r"""Altitude at which the standard atmosphere has this pressure.

    .. math:: H = \frac{T_0}{\beta} \left[1 - (p/p_0)^{R \beta / g}\right]

    Args:
        pressure_pa: p [Pa], that of 11 000 to -2000 m.

    Returns:
        Geopotential altitude H [m].

    Raises:
        ValueError: If the pressure is outside.

    Validity:
        As `pressure_from_altitude`, whose inverse it is.

    Source:
        ISO 2533:1975, equation of the pressure solved for H.

    Example:
        >>> round(altitude_from_pressure(85000.0))
        1457
    """
    low, high = pressure_from_altitude(HIGHEST_M), pressure_from_altitude(LOWEST_M)
    expect_within(pressure_pa, low, high, name="pressure", unit="Pa")
    share = math.pow(pressure_pa / STANDARD_PRESSURE_PA, 1.0 / _EXPONENT)
    return _STANDARD_TEMPERATURE_K / _LAPSE_K_PER_M * (1.0 - share)


def station_pressure_from_sea_level(sea_level_pa: float, altitude_m: float) -> float:
    r"""Pressure at the bench from one that was reduced to sea level by the standard atmosphere.

    .. math:: p = p_{std}\left(H_{std}(p_{sea}) + H\right)

    Args:
        sea_level_pa: Reduced pressure p_sea [Pa], 850 to 1100 hPa.
        altitude_m: Geopotential altitude of the bench H [m], at most 6000; that of a map will do.

    Returns:
        p [Pa].

    Raises:
        ValueError: If one is outside.

    Validity:
        Exact for what aviation calls QNH. Where a service reduced with the day's temperature instead (QFF) it is off
        by about 0.4 % for each 1000 m and 10 K (`COLUMN_U_K`): `station_pressure_from_column` then.

    Source:
        ICAO Doc 7488 (standard atmosphere) in the two steps by which QNH is defined, taken backwards.

    Example:
        >>> round(station_pressure_from_sea_level(102000.0, 914.0))
        91434
    """
    _expect_reduced(sea_level_pa, altitude_m)
    return pressure_from_altitude(altitude_from_pressure(sea_level_pa) + altitude_m)


def station_pressure_from_column(
    sea_level_pa: float, altitude_m: float, air_c: float
) -> float:
    r"""Pressure at the bench from one that was reduced to sea level with the day's temperature (QFF).

    .. math:: p = p_{sea} \exp\left(-\frac{g H}{R (T + \beta H / 2)}\right)

    Args:
        sea_level_pa: Reduced pressure p_sea [Pa], 850 to 1100 hPa.
        altitude_m: Geopotential altitude of the bench H [m], -1000 to 6000; that of a map will do.
        air_c: Temperature of the air outdoors at the bench's height [°C], -60 to 60; T is the same in kelvin.

    Returns:
        p [Pa].

    Raises:
        ValueError: If one is outside.

    Validity:
        The column below the bench is as if the air went on with the standard's lapse. Its moisture is left out, which
        makes it some kelvin too cold in the tropics (within `KNOWN_COLUMN_U_K`).

    Source:
        WMO-No. 8, Guide to Instruments and Methods of Observation, measurement of atmospheric pressure, reduction
        formula for low-level stations, without its term of moisture, solved for the station's pressure.

    Example:
        >>> round(station_pressure_from_column(102000.0, 914.0, 9.06))
        91421
    """
    _expect_reduced(sea_level_pa, altitude_m)
    expect_within(air_c, -60.0, 60.0, name="temperature of the air", unit="°C")
    mean_k = _mean_of_column_k(air_c, altitude_m)
    exponent = _GRAVITY * altitude_m / (_GAS_CONSTANT_DRY * mean_k)
    return sea_level_pa * math.exp(-exponent)


def _mean_of_column_k(air_c: float, altitude_m: float) -> float:
    return _ZERO_CELSIUS_K + air_c + 0.5 * _LAPSE_K_PER_M * altitude_m


def _expect_reduced(sea_level_pa: float, altitude_m: float) -> None:
    expect_within(
        sea_level_pa, 85e3, 110e3, name="pressure reduced to sea level", unit="Pa"
    )
    expect_within(altitude_m, *REDUCIBLE_M, name="altitude", unit="m")


def station_pressure(statement: PressureStatement) -> StationPressure:
    r"""Air pressure at the bench, with its uncertainty, from what is stated.

    .. math:: u^2(p) = \left(\frac{p}{p_{sea}} u(p_{sea})\right)^2
        + \left(p \frac{g H}{R T} \frac{u(T)}{T}\right)^2

    for a pressure reduced to sea level, with the day's temperature where that is stated and the standard's otherwise;
    for an altitude alone 1.5 % of p.

    Args:
        statement: Kind [one of three], pressure [Pa], altitude [m], standard uncertainty [Pa], the air's
            temperature [°C] and its standard uncertainty [K].

    Returns:
        Pressure [Pa], its standard uncertainty [Pa], and whether the figure looks like one of another kind.

    Raises:
        ValueError: If what its kind needs is missing, or a figure is outside its range.

    Validity:
        The altitude is known within about 10 m (0.12 % of the pressure). What looks reduced is only told from about
        450 m up, and only where the altitude is stated with a barometer's figure.

    Source:
        ISO 2533:1975; sensitivity to the column's temperature from the barometric formula there; 1.5 % for an
        altitude alone is common practice, no published source.

    Example:
        >>> alone = station_pressure(PressureStatement(PressureKind.ALTITUDE, altitude_m=914.0))
        >>> round(alone.pressure_pa, -2), round(alone.std_uncertainty_pa)
        (90800.0, 1362)
    """
    expect_not_negative(
        statement.pressure_u_pa, name="uncertainty of the pressure", unit="Pa"
    )
    if statement.kind is PressureKind.STATION:
        return _as_stated(statement)
    if statement.kind is PressureKind.SEA_LEVEL:
        return _from_sea_level(statement)
    if statement.altitude_m is None:
        msg = "neither pressure nor altitude, expected one of them"
        raise ValueError(msg)
    pressure = pressure_from_altitude(geopotential_altitude(statement.altitude_m))
    return StationPressure(pressure, ALTITUDE_ALONE_U * pressure)


def _as_stated(statement: PressureStatement) -> StationPressure:
    pressure = statement.pressure_pa
    if pressure is None:
        msg = "no pressure, expected what the barometer at the bench shows"
        raise ValueError(msg)
    expect_within(pressure, 40e3, 120e3, name="pressure at the bench", unit="Pa")
    looks_reduced = False
    if statement.altitude_m is not None:
        usual = pressure_from_altitude(geopotential_altitude(statement.altitude_m))
        looks_reduced = pressure > (1.0 + LOOKS_REDUCED_ABOVE) * usual
    return StationPressure(pressure, statement.pressure_u_pa, looks_reduced)


def _from_sea_level(statement: PressureStatement) -> StationPressure:
    reduced = statement.pressure_pa
    if reduced is None:
        msg = "no pressure, expected the one reduced to sea level"
        raise ValueError(msg)
    if statement.altitude_m is None:
        msg = "a pressure reduced to sea level is not that of the bench, expected the bench's altitude with it"
        raise ValueError(msg)
    altitude = geopotential_altitude(statement.altitude_m)
    if statement.air_c is None:
        pressure = station_pressure_from_sea_level(reduced, altitude)
        middle_k = _STANDARD_TEMPERATURE_K - 0.5 * _LAPSE_K_PER_M * altitude
        u_k = COLUMN_U_K
    else:
        pressure = station_pressure_from_column(reduced, altitude, statement.air_c)
        middle_k = _mean_of_column_k(statement.air_c, altitude)
        u_k = statement.air_u_k
    column = abs(altitude) * _GRAVITY / (_GAS_CONSTANT_DRY * middle_k)
    of_column = pressure * column * u_k / middle_k
    of_figure = statement.pressure_u_pa * pressure / reduced
    return StationPressure(pressure, math.hypot(of_column, of_figure))


def _expect_altitude(altitude_m: float) -> None:
    expect_within(altitude_m, LOWEST_M, HIGHEST_M, name="altitude", unit="m")
