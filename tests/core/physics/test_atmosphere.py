"""Pressure at the bench from altitude, from a figure reduced to sea level, from a barometer."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.physics.atmosphere import (
    ALTITUDE_ALONE_U,
    PressureKind,
    PressureStatement,
    altitude_from_pressure,
    geopotential_altitude,
    pressure_from_altitude,
    station_pressure,
    station_pressure_from_column,
    station_pressure_from_sea_level,
)

ALTITUDES = st.floats(-2000.0, 11_000.0)


# ---- published


@pytest.mark.parametrize(
    ("pressure_hpa", "altitude_m"),
    [
        (1050.0, -302),
        (1000.0, 111),
        (950.0, 540),
        (900.0, 988),
        (850.0, 1457),
        (800.0, 1949),
        (700.0, 3012),
        (600.0, 4206),
        (400.0, 7185),
        (250.0, 10_363),
    ],
)
def test_pressure_levels_lie_at_the_altitudes_of_the_published_table(
    pressure_hpa: float, altitude_m: int
) -> None:
    # ICAO standard atmosphere, altitudes of pressure levels, printed to the metre; half a metre, and a margin for
    # figures that were cut off instead of rounded.
    assert altitude_from_pressure(pressure_hpa * 100.0) == pytest.approx(
        altitude_m, abs=1.0
    )


@pytest.mark.parametrize(
    ("altitude_m", "pressure_pa"),
    [
        (0.0, 101325.00),
        (500.0, 95460.84),
        (914.0, 90816.06),
        (914.4, 90811.66),
        (1000.0, 89874.56),
        (1609.344, 83427.58),
        (2000.0, 79495.20),
        (3000.0, 70108.53),
    ],
)
def test_the_pressure_at_an_altitude_is_that_of_the_standard(
    altitude_m: float, pressure_pa: float
) -> None:
    # ISO 2533:1975; figures on which our formula and two independent libraries agree (test_air_second_opinions.py).
    assert pressure_from_altitude(altitude_m) == pytest.approx(pressure_pa, abs=0.05)


def test_the_layer_ends_at_the_pressure_where_the_next_begins() -> None:
    # U.S. Standard Atmosphere, 1976: 226.32 hPa at 11 km, printed to 0.01 hPa.
    assert pressure_from_altitude(11_000.0) == pytest.approx(22_632.0, abs=0.5)


@pytest.mark.parametrize(
    ("geometric_m", "pressure_pa"), [(914.4, 90813.11), (1609.344, 83431.76)]
)
def test_a_maps_altitude_is_taken_to_geopotential_first(
    geometric_m: float, pressure_pa: float
) -> None:
    # ISO 2533 with H = r z/(r + z), r = 6 356 766 m; by two independent libraries.
    found = pressure_from_altitude(geopotential_altitude(geometric_m))
    assert found == pytest.approx(pressure_pa, abs=0.05)


# ---- reduced to sea level


def test_taking_a_reduced_pressure_for_the_benchs_own_is_eleven_percent_wrong() -> None:
    # Regression: 101325/90816.06 - 1 at 914 m.
    real = station_pressure_from_sea_level(101325.0, 914.0)
    assert 101325.0 / real - 1.0 == pytest.approx(0.1157, abs=1e-4)


def test_a_pressure_reduced_in_the_two_steps_of_qnh_comes_back() -> None:
    # Forward as ICAO has it: altitude of the station's pressure, less the station's, as a pressure; constants as printed
    # in ICAO Doc 9837: H = 44330.77 - 11880.32 p^0.190263, QNH = 1013.25 (1 - 0.0065 (H - H_s)/288.15)^5.25588.
    station_hpa, altitude_m = 905.0, 914.0
    standard_m = 44330.77 - 11880.32 * station_hpa**0.190263
    qnh = 1013.25 * (1.0 - 0.0065 * (standard_m - altitude_m) / 288.15) ** 5.25588
    found = station_pressure_from_sea_level(qnh * 100.0, altitude_m)
    # The printed constants hold the altitude to some centimetres, 1 Pa.
    assert found == pytest.approx(station_hpa * 100.0, abs=1.0)


def test_the_columns_temperature_is_in_the_uncertainty() -> None:
    # Barometric formula: dp/p = (g H/(R T)) dT/T; by hand at 914 m: 9.80665 x 914/(287.053 x 285.18) = 0.10949,
    # times 15 K/285.18 K = 0.5759 %.
    found = station_pressure(
        PressureStatement(
            PressureKind.SEA_LEVEL, pressure_pa=101325.0, altitude_m=914.0
        )
    )
    assert found.std_uncertainty_pa / found.pressure_pa == pytest.approx(
        0.005759, abs=2e-6
    )


def test_a_day_ten_kelvin_warmer_stays_within_twice_the_stated_uncertainty() -> None:
    # Reduced with the day's temperature instead (hypsometric equation of an isothermal-mean column, 10 K above the
    # standard's middle of 285.18 K).
    real_pa, altitude_m = 90_000.0, 914.0
    reduced = real_pa * math.exp(9.80665 * altitude_m / (287.05287 * 295.18))
    found = station_pressure(
        PressureStatement(
            PressureKind.SEA_LEVEL, pressure_pa=reduced, altitude_m=altitude_m
        )
    )
    assert abs(found.pressure_pa - real_pa) < 2.0 * found.std_uncertainty_pa


@pytest.mark.parametrize("air_c", [-10.0, 12.0, 35.0])
@pytest.mark.parametrize("altitude_m", [120.0, 914.0, 1609.0])
def test_a_pressure_reduced_with_the_days_temperature_comes_back(
    air_c: float, altitude_m: float
) -> None:
    # Barometric formula as services print it, WMO-No. 8 (Guide to Instruments and Methods of Observation), measurement
    # of atmospheric pressure: log10 p_sea = log10 p + K H / (T + a H / 2), K = 0.0148275 K/gpm, a = 0.0065 K/gpm, with
    # gpm of 9.8 J/kg and without its term of moisture.
    real_pa = pressure_from_altitude(altitude_m) + 500.0
    height_gpm = altitude_m * 9.80665 / 9.8
    mean_k = 273.15 + air_c + 0.0065 * height_gpm / 2.0
    reduced_pa = real_pa * 10.0 ** (0.0148275 * height_gpm / mean_k)
    found = station_pressure_from_column(reduced_pa, altitude_m, air_c)
    # The printed K is that of a gas constant of 287.04 J/(kg K): 5e-5 of the column, at most 1 Pa.
    assert found == pytest.approx(real_pa, abs=1.5)


@pytest.mark.parametrize("air_c", [-10.0, 35.0])
def test_frost_and_heat_stay_within_twice_the_uncertainty_where_nobody_tells_them(
    air_c: float,
) -> None:
    # 914 m; the formula above, in its form with the base of natural logarithms.
    real_pa, mean_k = 90_800.0, 273.15 + air_c + 0.00325 * 914.0
    reduced_pa = real_pa * math.exp(9.80665 * 914.0 / (287.05 * mean_k))
    untold, told = (
        station_pressure(
            PressureStatement(PressureKind.SEA_LEVEL, reduced_pa, 914.0, air_c=known)
        )
        for known in (None, air_c)
    )
    assert abs(untold.pressure_pa - real_pa) < 2.0 * untold.std_uncertainty_pa
    # What the standard's column misses by, in each of both.
    assert abs(untold.pressure_pa - real_pa) > 500.0
    assert told.pressure_pa == pytest.approx(real_pa, abs=5.0)
    assert told.std_uncertainty_pa < 0.4 * untold.std_uncertainty_pa


def test_at_sea_level_both_kinds_are_the_same() -> None:
    found = station_pressure(
        PressureStatement(
            PressureKind.SEA_LEVEL,
            pressure_pa=100_500.0,
            altitude_m=0.0,
            pressure_u_pa=80.0,
        )
    )
    assert found.pressure_pa == pytest.approx(100_500.0, abs=1e-6)
    assert found.std_uncertainty_pa == pytest.approx(80.0, abs=1e-6)


# ---- kinds of statement


def test_a_barometers_figure_stands_as_it_is() -> None:
    found = station_pressure(
        PressureStatement(
            PressureKind.STATION, pressure_pa=90_500.0, pressure_u_pa=60.0
        )
    )
    assert (found.pressure_pa, found.std_uncertainty_pa) == (90_500.0, 60.0)
    assert not found.looks_reduced


def test_an_altitude_alone_carries_one_and_a_half_percent() -> None:
    # Common practice, no published source.
    found = station_pressure(PressureStatement(PressureKind.ALTITUDE, altitude_m=914.4))
    assert found.pressure_pa == pytest.approx(90813.11, abs=0.05)
    assert ALTITUDE_ALONE_U == 0.015
    assert found.std_uncertainty_pa == pytest.approx(0.015 * 90813.11, abs=0.01)


@pytest.mark.parametrize(
    ("pressure_pa", "altitude_m", "looks_reduced"),
    [
        (101_300.0, 914.0, True),
        (93_000.0, 914.0, False),
        (103_500.0, 100.0, False),
        (101_300.0, None, False),
    ],
)
def test_a_barometers_figure_that_looks_reduced_is_told(
    pressure_pa: float, altitude_m: float | None, *, looks_reduced: bool
) -> None:
    found = station_pressure(
        PressureStatement(
            PressureKind.STATION, pressure_pa=pressure_pa, altitude_m=altitude_m
        )
    )
    assert found.looks_reduced is looks_reduced


@pytest.mark.parametrize(
    ("statement", "wanted"),
    [
        (
            PressureStatement(PressureKind.SEA_LEVEL, pressure_pa=101325.0),
            "not that of the bench, expected the bench's altitude",
        ),
        (PressureStatement(PressureKind.SEA_LEVEL, altitude_m=500.0), "no pressure"),
        (PressureStatement(PressureKind.STATION, altitude_m=500.0), "no pressure"),
        (PressureStatement(PressureKind.ALTITUDE), "neither pressure nor altitude"),
        (
            PressureStatement(PressureKind.STATION, pressure_pa=1013.0),
            "pressure at the bench 1013 Pa",
        ),
        (
            PressureStatement(PressureKind.ALTITUDE, altitude_m=30_000.0),
            "altitude 30000 m",
        ),
        (
            PressureStatement(
                PressureKind.STATION, pressure_pa=1e5, pressure_u_pa=-1.0
            ),
            "uncertainty of the pressure -1 Pa",
        ),
    ],
)
def test_what_a_kind_of_pressure_needs_and_lacks_is_named(
    statement: PressureStatement, wanted: str
) -> None:
    with pytest.raises(ValueError, match=wanted):
        station_pressure(statement)


# ---- properties


@given(ALTITUDES)
def test_altitude_and_pressure_go_there_and_back(altitude_m: float) -> None:
    there = pressure_from_altitude(altitude_m)
    assert altitude_from_pressure(there) == pytest.approx(altitude_m, abs=1e-6)


@given(st.floats(-2000.0, 10_999.0))
def test_pressure_falls_with_altitude(altitude_m: float) -> None:
    assert pressure_from_altitude(altitude_m + 1.0) < pressure_from_altitude(altitude_m)


@given(st.floats(85e3, 109e3), st.floats(-500.0, 6000.0))
def test_a_higher_pressure_at_sea_level_is_higher_at_the_bench(
    sea_level_pa: float, altitude_m: float
) -> None:
    low = station_pressure_from_sea_level(sea_level_pa, altitude_m)
    high = station_pressure_from_sea_level(sea_level_pa + 100.0, altitude_m)
    assert high > low
