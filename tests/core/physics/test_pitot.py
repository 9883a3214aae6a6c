"""Velocity from a pitot tube's pressure difference."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.physics.airflow import LB_PER_FT3
from daq.physics.pitot import mean_pitot_velocity, pitot_velocity

FT_PER_MIN = 0.3048 / 60.0


def test_the_velocity_is_bernoullis() -> None:
    # By hand: sqrt(2 x 100/1.2) = sqrt(166.667).
    assert pitot_velocity(100.0, 1.2) == pytest.approx(12.90994, abs=5e-6)


def test_one_inch_of_water_of_68_degrees_is_4005_feet_a_minute() -> None:
    # Published rule of the trade: V[ft/min] = 4005 sqrt(inch of water) in air of 0.075 lb/ft³, printed to a whole
    # number. Its inch is of water at 68 °F: 0.0254 m x 998.207 kg/m³ x 9.80665 m/s² = 248.642 Pa.
    velocity = pitot_velocity(248.642, 0.075 * LB_PER_FT3)
    assert velocity / FT_PER_MIN == pytest.approx(4005.0, abs=0.5)


def test_the_conventional_inch_is_another() -> None:
    # Regression: 249.08891 Pa (UCUM) gives 4008.55 ft/min.
    velocity = pitot_velocity(249.08891, 0.075 * LB_PER_FT3)
    assert velocity / FT_PER_MIN == pytest.approx(4008.55, abs=0.01)


@pytest.mark.parametrize(
    ("mach", "static_over_total"),
    [(0.10, 0.9930), (0.15, 0.9844), (0.50, 0.8430), (0.60, 0.7840), (0.90, 0.5913)],
)
def test_compressible_velocities_are_those_of_the_gas_tables(
    mach: float, static_over_total: float
) -> None:
    # Isentropic flow tables for kappa = 1.4 (as in NACA Report 1135), printed to four digits; half a digit moves the
    # Mach number by less than 0.0004 here. Speed of sound: sqrt(kappa p/rho).
    static, density = 100e3, 1.2
    difference = static / static_over_total - static
    velocity = pitot_velocity(difference, density, static_pressure_pa=static)
    assert velocity / math.sqrt(1.4 * static / density) == pytest.approx(mach, abs=4e-4)


def test_at_two_kilopascals_compression_takes_a_third_of_a_percent() -> None:
    # Series of the isentropic relation: 1 - dp/(4 kappa p) + ... = 1 - 0.003525 + 0.000034 at 2000 Pa, 101325 Pa.
    plain = pitot_velocity(2000.0, 1.2)
    compressible = pitot_velocity(2000.0, 1.2, static_pressure_pa=101325.0)
    assert compressible / plain == pytest.approx(0.996509, abs=2e-6)


def test_a_tubes_factor_scales_the_velocity() -> None:
    scaled = pitot_velocity(100.0, 1.2, tube_factor=0.84)
    assert scaled == pytest.approx(0.84 * pitot_velocity(100.0, 1.2))


def test_roots_are_averaged_and_not_pressures() -> None:
    # By hand: 25, 100 and 225 Pa are as 1 : 2 : 3 in velocity; the mean is that of 100 Pa. The root of the mean
    # pressure, 116.7 Pa, would be 8 % higher.
    mean = mean_pitot_velocity([25.0, 100.0, 225.0], 1.2)
    assert mean == pytest.approx(pitot_velocity(100.0, 1.2))


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: pitot_velocity(-3.0, 1.2), "pressure difference -3 Pa"),
        (lambda: pitot_velocity(3.0, 0.0), "density 0 kg/m³"),
        (lambda: pitot_velocity(3.0, 1.2, tube_factor=0.0), "factor of the tube 0"),
        (
            lambda: pitot_velocity(3.0, 1.2, static_pressure_pa=0.0),
            "static pressure 0 Pa",
        ),
        (lambda: mean_pitot_velocity([], 1.2), "no point of a traverse"),
    ],
)
def test_impossible_figures_are_refused(call, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()


def test_no_pressure_is_no_velocity() -> None:
    assert pitot_velocity(0.0, 1.2, static_pressure_pa=101325.0) == 0.0


@given(st.floats(1e-6, 20e3), st.floats(0.6, 1.5))
def test_compression_only_ever_lowers_the_velocity(
    difference: float, density: float
) -> None:
    plain = pitot_velocity(difference, density)
    compressible = pitot_velocity(difference, density, static_pressure_pa=90e3)
    assert 0.96 * plain < compressible <= plain


@given(st.lists(st.floats(0.0, 1e4), min_size=1, max_size=20))
def test_the_mean_of_roots_is_never_above_the_root_of_the_mean(
    differences: list[float],
) -> None:
    mean = mean_pitot_velocity(differences, 1.2)
    root_of_mean = pitot_velocity(math.fsum(differences) / len(differences), 1.2)
    assert mean <= root_of_mean * (1.0 + 1e-12)
