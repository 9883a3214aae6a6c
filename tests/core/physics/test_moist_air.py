"""Density and viscosity of moist air against published figures, closed forms and what the formula must do."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.physics.moist_air import (
    FORMULA_U_OUTSIDE,
    FORMULA_U_WITHIN,
    air_viscosity,
    density_sensitivities,
    moist_air_density,
    saturation_vapour_pressure,
)

TEMPERATURES = st.floats(-40.0, 60.0)
PRESSURES = st.floats(40e3, 119e3)
HUMIDITIES = st.floats(0.0, 1.0)

THREE_MODELS = 7e-4
"""CIPM-2007, the ASHRAE relations and the ideal gas of ISO 2533 differ by up to 0.06 % between 0 and 23 °C."""


# ---- published


@pytest.mark.parametrize(
    ("temperature_c", "density", "half_a_digit", "source"),
    [
        (15.0, 1.225, 5e-5, "ISO 2533, sea level"),
        (0.0, 1.293, 5e-4, "DIN 1343, dry air"),
        (190.0 / 9.0, 1.20, 5e-3, "ASHRAE standard air, dry, 70 °F"),
    ],
)
def test_the_density_of_dry_air_is_that_of_the_books(
    temperature_c: float, density: float, half_a_digit: float, source: str
) -> None:
    found = moist_air_density(temperature_c, 101325.0, 0.0).kg_per_m3
    assert found == pytest.approx(density, abs=half_a_digit + THREE_MODELS * density), (
        source
    )


def test_the_viscosity_at_sea_level_is_that_of_the_standard_atmosphere() -> None:
    # U.S. Standard Atmosphere, 1976, table of the sea-level properties: 1.7894e-5 N s/m².
    assert air_viscosity(15.0) == pytest.approx(1.7894e-5, abs=5e-10)


# ---- regression of our own arithmetic; agreement with independent libraries: test_air_second_opinions.py


@pytest.mark.parametrize(
    ("temperature_c", "pressure_pa", "humidity", "density"),
    [
        (20.0, 101325.0, 0.5, 1.1993139),
        (20.0, 101325.0, 0.0, 1.2045573),
        (15.0, 101325.0, 0.0, 1.2255213),
        (0.0, 101325.0, 0.0, 1.2930487),
        (23.0, 95000.0, 0.4, 1.1128784),
    ],
)
def test_the_density_agrees_with_another_writing_of_the_same_formula(
    temperature_c: float, pressure_pa: float, humidity: float, density: float
) -> None:
    # Computed beforehand by an implementation of its own; the tolerance is that of its last printed digits.
    found = moist_air_density(temperature_c, pressure_pa, humidity)
    assert found.kg_per_m3 == pytest.approx(density, abs=2e-6)


# ---- closed forms


def test_dry_air_is_nearly_an_ideal_gas() -> None:
    # Ideal gas: c_T = -1/T, c_p = 1/p; the compressibility factor is 0.9996 here and rises by 0.001 % a kelvin, which is
    # 0.4 % of c_T.
    slope = density_sensitivities(20.0, 101325.0, 0.0)
    assert slope.per_k == pytest.approx(-1.0 / 293.15, rel=5e-3)
    assert slope.per_pa == pytest.approx(1.0 / 101325.0, rel=1e-3)


def test_vapour_lightens_air_by_the_difference_of_molar_masses() -> None:
    # Ideal gas: d ln(rho)/dh = -(p_sv/p)(1 - M_v/M_a), about; the share of vapour is 1.2 % here.
    slope = density_sensitivities(20.0, 101325.0, 0.5).per_humidity
    by_hand = -saturation_vapour_pressure(20.0) / 101325.0 * (1.0 - 18.01528 / 28.96546)
    assert slope == pytest.approx(by_hand, rel=0.01)


def test_more_carbon_dioxide_makes_air_heavier_by_its_carbon() -> None:
    # Ideal gas: d(rho)/rho = 12.011e-3 dx / M_a.
    usual = moist_air_density(20.0, 101325.0, 0.0).kg_per_m3
    rich = moist_air_density(20.0, 101325.0, 0.0, co2_fraction=0.0014).kg_per_m3
    assert rich / usual - 1.0 == pytest.approx(12.011e-6 / 28.96546e-3, rel=1e-3)


def test_uncertainties_add_in_quadrature() -> None:
    slope = density_sensitivities(20.0, 101325.0, 0.5)
    air = moist_air_density(
        20.0, 101325.0, 0.5, temperature_u_k=0.5, pressure_u_pa=100.0, humidity_u=0.05
    )
    expected = math.sqrt(
        FORMULA_U_WITHIN**2
        + (0.5 * slope.per_k) ** 2
        + (100.0 * slope.per_pa) ** 2
        + (0.05 * slope.per_humidity) ** 2
    )
    assert air.relative_std_uncertainty == pytest.approx(expected, rel=1e-12)
    assert air.std_uncertainty == pytest.approx(expected * air.kg_per_m3, rel=1e-12)


# ---- validity


@pytest.mark.parametrize(
    ("temperature_c", "pressure_pa", "is_within"),
    [
        (15.0, 60e3, True),
        (27.0, 110e3, True),
        (14.9, 101325.0, False),
        (27.1, 101325.0, False),
        (20.0, 59.9e3, False),
        (20.0, 110.1e3, False),
    ],
)
def test_it_says_whether_the_formula_was_published_for_this_state(
    temperature_c: float, pressure_pa: float, *, is_within: bool
) -> None:
    # Range of CIPM-2007: 600 to 1100 hPa, 15 to 27 °C.
    air = moist_air_density(temperature_c, pressure_pa, 0.5)
    assert air.is_within_validity is is_within
    assert air.relative_std_uncertainty == pytest.approx(
        FORMULA_U_WITHIN if is_within else FORMULA_U_OUTSIDE
    )


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ((20.0, 101325.0, 50.0), r"relative humidity 50 \(50 % is 0.5\)"),
        ((20.0, 1013.25, 0.5), "pressure 1013.25 Pa"),
        ((293.15, 101325.0, 0.5), "temperature 293.15 °C"),
        ((math.nan, 101325.0, 0.5), "temperature nan"),
    ],
)
def test_figures_in_another_unit_are_refused(
    arguments: tuple[float, float, float], named: str
) -> None:
    with pytest.raises(ValueError, match=named):
        moist_air_density(*arguments)


def test_a_negative_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="uncertainty of the temperature -1 K"):
        moist_air_density(20.0, 101325.0, 0.5, temperature_u_k=-1.0)


# ---- properties


@given(TEMPERATURES, PRESSURES, HUMIDITIES)
def test_density_rises_with_pressure(t: float, p: float, h: float) -> None:
    lower, higher = moist_air_density(t, p, h), moist_air_density(t, p + 100.0, h)
    assert higher.kg_per_m3 > lower.kg_per_m3


@given(st.floats(-40.0, 59.0), PRESSURES, HUMIDITIES)
def test_warmer_air_is_thinner(t: float, p: float, h: float) -> None:
    colder, warmer = moist_air_density(t, p, h), moist_air_density(t + 0.5, p, h)
    assert warmer.kg_per_m3 < colder.kg_per_m3


@given(TEMPERATURES, PRESSURES, st.floats(0.0, 0.9))
def test_damper_air_is_thinner(t: float, p: float, h: float) -> None:
    drier, damper = moist_air_density(t, p, h), moist_air_density(t, p, h + 0.1)
    assert damper.kg_per_m3 < drier.kg_per_m3
