"""Statements of air pressure as people make them: "station 1004.2 hPa", "QNH 1019 hPa 914 m", "altitude 914 m".

Weather services, airfields and telephones give three figures that differ by more than a tenth at some altitude, so
the kind is part of every statement and is never guessed.
"""

import math
import re
from dataclasses import dataclass
from enum import StrEnum

from daq.physics.atmosphere import (
    COLUMN_U_K,
    KNOWN_COLUMN_U_K,
    REDUCIBLE_M,
    PressureKind,
    PressureStatement,
    StationPressure,
    geopotential_altitude,
    station_pressure,
    station_pressure_from_sea_level,
)
from daq.physics.bounds import expect_within

_FIGURE = r"([+-]?\d+(?:\.\d+)?)\s*"
_STATED = re.compile(
    rf"(station|qfe|qnh|qff)\s+{_FIGURE}(hpa|mbar|kpa|inhg)?(?:[\s,]+{_FIGURE}(m|ft))?"
    rf"(?:[\s,]+{_FIGURE}°?c)?"
)
_ALTITUDE = re.compile(rf"altitude\s+{_FIGURE}(m|ft)")
_PA = {"": 100.0, "hpa": 100.0, "mbar": 100.0, "kpa": 1000.0, "inhg": 3386.389}
"""Inch of mercury: NIST SP 811 (2008), B.8, conventional."""
_M = {"m": 1.0, "ft": 0.3048}
_U_PA = 100.0
"""Standard uncertainty of a figure that was read off or heard [Pa]: rounding, and some kilometres to where it was measured."""

KINDS = (
    "station: as a barometer at the bench shows it. "
    "QFE: as an airfield's barometer shows it, at the airfield's own height. "
    "QNH: taken down to sea level by the standard atmosphere (aviation, altimeters). "
    "QFF: taken down to sea level with the day's temperature (weather maps, most weather services and telephones);"
    " with the temperature outdoors behind it, it is known three times better. "
    "altitude: no pressure at all, only how high the bench is."
)
EXPECTED = (
    'expected "station 1004.2 hPa", "QFE 1004 hPa", "QNH 1019 hPa 914 m", "QFF 1019 hPa 914 m -5 C" or "altitude 914 m"'
    " (hPa, mbar, kPa or inHg; m or ft; decimals take a point)"
)


class StatedKind(StrEnum):
    """What a figure of air pressure is."""

    STATION = "station"
    QFE = "qfe"
    QNH = "qnh"
    QFF = "qff"
    ALTITUDE = "altitude"


@dataclass(frozen=True, slots=True)
class Stated:
    """A statement, and the pressure at the bench that follows.

    Attributes:
        kind: As it was stated.
        altitude_m: Of the bench [m]; None where it was not stated.
        at_bench: Pressure there.
        taken: With which temperature of the air it was taken back from sea level, in words; empty for other kinds.
    """

    kind: StatedKind
    altitude_m: float | None
    at_bench: StationPressure
    taken: str = ""


def parse_stated(text: str, *, bench_air_c: float | None = None) -> Stated:
    """A statement with its kind.

    Args:
        text: As people write it.
        bench_air_c: Temperature of the air at the bench [°C], for a QFF without the temperature outdoors.

    Raises:
        ValueError: If it is none, lacks what its kind needs, or cannot be.
    """
    try:
        stated = _parsed(" ".join(text.casefold().split()), bench_air_c)
    except ValueError as exc:
        msg = f"got {text.strip()!r}: {exc}"
        raise ValueError(msg) from exc
    if stated is None:
        msg = f"got {text.strip()!r}, {EXPECTED}"
        raise ValueError(msg)
    return stated


def _parsed(plain: str, bench_air_c: float | None) -> Stated | None:
    """Of a text in small letters, with one blank between words; None where it is no statement."""
    if found := _ALTITUDE.fullmatch(plain):
        altitude_m = float(found[1]) * _M[found[2]]
        statement = PressureStatement(PressureKind.ALTITUDE, altitude_m=altitude_m)
        return Stated(StatedKind.ALTITUDE, altitude_m, station_pressure(statement))
    if not (found := _STATED.fullmatch(plain)):
        return None
    kind = StatedKind(found[1])
    stated_pa = float(found[2]) * _PA[found[3] or ""]
    altitude = float(found[4]) * _M[found[5]] if found[4] else None
    outdoors_c = float(found[6]) if found[6] else None
    if kind is StatedKind.QFF:
        return _qff(stated_pa, altitude, outdoors_c, bench_air_c)
    if outdoors_c is not None:
        msg = f"{kind.value.upper()} does not go with the day's temperature, expected it without {outdoors_c:g} °C"
        raise ValueError(msg)
    return Stated(kind, altitude, _at_bench(kind, stated_pa, altitude))


def _qff(
    stated_pa: float,
    altitude_m: float | None,
    outdoors_c: float | None,
    bench_air_c: float | None,
) -> Stated:
    """By the temperature outdoors, else by the bench's, else by the standard's."""
    altitude = _expect_stated(StatedKind.QFF, altitude_m)
    # A heated room tells little of the air outdoors: it moves the estimate, and makes it no surer.
    is_told = outdoors_c is not None
    air_c = outdoors_c if is_told else bench_air_c
    u_k = KNOWN_COLUMN_U_K if is_told else COLUMN_U_K
    statement = PressureStatement(
        PressureKind.SEA_LEVEL, stated_pa, altitude, _U_PA, air_c, u_k
    )
    of_whom = "outdoors" if is_told else "of the bench's air"
    taken = "the standard's temperature" if air_c is None else f"{air_c:g} °C {of_whom}"
    return Stated(StatedKind.QFF, altitude, station_pressure(statement), taken)


def _expect_stated(kind: StatedKind, altitude_m: float | None) -> float:
    if altitude_m is None:
        msg = f"{kind.value.upper()} is not the bench's own pressure, expected its altitude behind it, like 914 m"
        raise ValueError(msg)
    # Of the altitude as it was stated: the formulas refuse the geopotential one, a figure that nobody wrote.
    expect_within(altitude_m, *REDUCIBLE_M, name="altitude", unit="m")
    return altitude_m


def _at_bench(
    kind: StatedKind, stated_pa: float, altitude_m: float | None
) -> StationPressure:
    if kind in {StatedKind.STATION, StatedKind.QFE}:
        return station_pressure(
            PressureStatement(PressureKind.STATION, stated_pa, altitude_m, _U_PA)
        )
    # Exact by its definition: the column of air is the standard's, whatever the day's was.
    height_m = geopotential_altitude(_expect_stated(kind, altitude_m))
    pressure_pa = station_pressure_from_sea_level(stated_pa, height_m)
    return StationPressure(pressure_pa, _U_PA * pressure_pa / stated_pa)


def bench_lines(stated: Stated) -> str:
    """Keys of the bench's [air] that say the same."""
    if stated.kind is StatedKind.ALTITUDE:
        return f"altitude_m = {stated.altitude_m:g}"
    u_hpa = math.ceil(stated.at_bench.std_uncertainty_pa) / 100.0
    return (
        f"pressure_hpa = {stated.at_bench.pressure_pa / 100.0:.1f},"
        f' pressure_kind = "station", pressure_u_hpa = {u_hpa:g}'
    )
