"""The physics of air against independent libraries: CoolProp (equations of state), psychrolib (ASHRAE), fluids (ISO 5167)."""

import itertools

import psychrolib  # type: ignore[import-untyped]  # it ships no types
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from fluids.atmosphere import ATMOSPHERE_1976
from fluids.flow_meter import (
    C_Reader_Harris_Gallagher,
    differential_pressure_meter_solver,
    orifice_expansibility,
)

from daq.physics.airflow import REFERENCE_DENSITIES, reference_of_density
from daq.physics.atmosphere import geopotential_altitude, pressure_from_altitude
from daq.physics.moist_air import (
    air_viscosity,
    density_sensitivities,
    moist_air_density,
    saturation_vapour_pressure,
)
from daq.physics.orifice import orifice_flow
from daq.physics.orifice_plate import (
    OrificePlate,
    Taps,
    discharge_coefficient,
    expansibility_factor,
)

THEIR_TAPS = {Taps.CORNER: "corner", Taps.FLANGE: "flange", Taps.D_AND_HALF_D: "D"}


def coolprop_density(t: float, p: float, h: float) -> float:
    """Mass of dry air and of vapour in the volume of the dry air."""
    state = ("T", t + 273.15, "P", p, "R", h)
    return (1.0 + HAPropsSI("W", *state)) / HAPropsSI("Vda", *state)


# ---- moist air


@pytest.mark.parametrize(
    ("t", "p", "h"),
    [
        (20.0, 101325.0, 0.5),
        (20.0, 101325.0, 0.0),
        (15.0, 101325.0, 0.0),
        (23.0, 95000.0, 0.4),
        (27.0, 60e3, 1.0),
        (15.0, 110e3, 1.0),
    ],
)
def test_the_density_agrees_within_fifty_millionths_where_it_is_valid(
    t: float, p: float, h: float
) -> None:
    # CIPM-2007 states 22e-6 for itself; the molar mass of dry air differs by some 1e-5 between the two.
    ours = moist_air_density(t, p, h).kg_per_m3
    assert ours == pytest.approx(coolprop_density(t, p, h), rel=5e-5)


def test_extrapolated_it_departs_by_little_more_than_a_part_in_a_thousand() -> None:
    grid = itertools.product(
        (-40.0, -20.0, 0.0, 10.0, 40.0, 50.0, 60.0),
        (40e3, 60e3, 101325.0, 120e3),
        (0.0, 0.5, 1.0),
    )
    departures = [
        moist_air_density(t, p, h).kg_per_m3 / coolprop_density(t, p, h) - 1.0
        for t, p, h in grid
    ]
    assert max(map(abs, departures)) < 1.1e-3


@pytest.mark.parametrize(("t", "p", "h"), [(20.0, 101325.0, 0.5), (25.0, 9e4, 0.3)])
def test_the_sensitivities_agree(t: float, p: float, h: float) -> None:
    ours = density_sensitivities(t, p, h)
    here = coolprop_density(t, p, h)
    per_k = (coolprop_density(t + 1, p, h) - coolprop_density(t - 1, p, h)) / 2 / here
    per_pa = (coolprop_density(t, p + 500, h) - coolprop_density(t, p - 500, h)) / 1000
    per_h = (coolprop_density(t, p, h + 0.1) - coolprop_density(t, p, h - 0.1)) / 0.2
    assert ours.per_k == pytest.approx(per_k, rel=2e-3)
    assert ours.per_pa == pytest.approx(per_pa / here, rel=2e-3)
    assert ours.per_humidity == pytest.approx(per_h / here, rel=5e-3)


def test_the_density_agrees_with_ashraes_relations() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    for t, p, h in ((20.0, 101325.0, 0.5), (15.0, 101325.0, 0.0), (23.0, 95e3, 0.4)):
        ratio = psychrolib.GetHumRatioFromRelHum(t, h, p)
        theirs = psychrolib.GetMoistAirDensity(t, ratio, p)
        # Ideal gases, no enhancement factor: up to 0.06 % lower.
        assert moist_air_density(t, p, h).kg_per_m3 == pytest.approx(theirs, rel=7e-4)


def test_the_saturation_pressure_agrees_with_two_others() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    ours = saturation_vapour_pressure(20.0)
    assert ours == pytest.approx(psychrolib.GetSatVapPres(20.0), rel=3e-4)
    assert ours == pytest.approx(PropsSI("P", "T", 293.15, "Q", 1, "Water"), rel=3e-4)


@pytest.mark.parametrize("t", [0.0, 20.0, 40.0])
def test_the_viscosity_agrees_within_six_parts_in_a_thousand(t: float) -> None:
    # Sutherland's constants of 1976 against a correlation of 2004.
    theirs = PropsSI("V", "T", t + 273.15, "P", 101325.0, "Air")
    assert air_viscosity(t) == pytest.approx(theirs, rel=6e-3)


@pytest.mark.parametrize(
    ("source", "t", "p", "h"),
    [
        ("DIN 1343", 0.0, 101325.0, 0.0),
        ("ISO 2533", 15.0, 101325.0, 0.0),
        ("ISO 1217", 20.0, 100e3, 0.0),
        ("ISO 8778", 20.0, 100e3, 0.65),
        ("gas industry practice", 140.0 / 9.0, 101325.0, 0.0),
        ("ASHRAE practice", 190.0 / 9.0, 101325.0, 0.0),
        ("IUPAC", 0.0, 100e3, 0.0),
    ],
)
def test_reference_densities_are_those_of_their_states(
    source: str, t: float, p: float, h: float
) -> None:
    reference = next(r for r in REFERENCE_DENSITIES if r.source == source)
    assert reference.kg_per_m3 == pytest.approx(coolprop_density(t, p, h), rel=5e-5)
    assert reference_of_density(reference.kg_per_m3) is not None


# ---- atmosphere


@pytest.mark.parametrize("altitude_m", [0.0, 500.0, 914.4, 1609.344, 3000.0])
def test_the_standard_atmosphere_agrees(altitude_m: float) -> None:
    ours = pressure_from_altitude(geopotential_altitude(altitude_m))
    # Theirs takes geometric altitudes too.
    assert ours == pytest.approx(ATMOSPHERE_1976(altitude_m).P, abs=0.05)


@pytest.mark.parametrize("altitude_m", [500.0, 914.4, 1609.344, 3000.0])
def test_the_standard_atmosphere_agrees_with_ashraes(altitude_m: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    theirs = psychrolib.GetStandardAtmPressure(altitude_m)
    # Its constants are rounded: 2.25577e-5 and 5.2559.
    assert pressure_from_altitude(altitude_m) == pytest.approx(theirs, abs=0.5)


def test_the_standard_atmospheres_density_at_914_m_is_that_of_dry_air() -> None:
    # ISO 2533 at H = 914 m: 282.209 K, 1.121063 kg/m³ by its ideal gas; CIPM-2007 departs by up to 0.06 %.
    air = moist_air_density(282.209 - 273.15, pressure_from_altitude(914.0), 0.0)
    assert air.kg_per_m3 == pytest.approx(1.121063, rel=7e-4)
    assert air.kg_per_m3 == pytest.approx(ATMOSPHERE_1976(914.0).rho, rel=7e-4)


# ---- orifice

PLATES = [
    OrificePlate(beta * pipe_m, pipe_m, taps)
    for pipe_m in (0.05, 0.1, 0.4)
    for beta in (0.2, 0.45, 0.6, 0.74)
    for taps in Taps
]


def named(plate: OrificePlate) -> str:
    return f"{plate.taps.value} {plate.beta:.2f} {plate.pipe_m:g} m"


@pytest.mark.parametrize("plate", PLATES, ids=named)
def test_the_discharge_coefficient_agrees(plate: OrificePlate) -> None:
    # From 10 000 up the two are the same equation; below, theirs has additions that the standard has not.
    for reynolds in (1e4, 5e4, 1e6):
        mu = 1.82e-5
        mass_flow = reynolds * 3.141592653589793 * mu * plate.pipe_m / 4.0
        theirs = C_Reader_Harris_Gallagher(
            D=plate.pipe_m,
            Do=plate.bore_m,
            rho=1.2,
            mu=mu,
            m=mass_flow,
            taps=THEIR_TAPS[plate.taps],
        )
        assert discharge_coefficient(plate, reynolds) == pytest.approx(theirs, abs=2e-6)


@pytest.mark.parametrize("beta", [0.2, 0.6, 0.75])
def test_the_expansibility_factor_agrees(beta: float) -> None:
    for difference in (100.0, 2500.0, 20e3):
        theirs = orifice_expansibility(
            D=0.1, Do=0.1 * beta, P1=101325.0, P2=101325.0 - difference, k=1.4
        )
        ours = expansibility_factor(beta, difference, 101325.0)
        assert ours == pytest.approx(theirs, abs=1e-12)


@pytest.mark.parametrize("plate", PLATES, ids=named)
def test_the_flow_agrees(plate: OrificePlate) -> None:
    for difference in (300.0, 1000.0, 5000.0):
        theirs = differential_pressure_meter_solver(
            D=plate.pipe_m,
            D2=plate.bore_m,
            P1=101325.0,
            P2=101325.0 - difference,
            rho=1.2,
            mu=1.82e-5,
            k=1.4,
            meter_type="ISO 5167 orifice",
            taps=THEIR_TAPS[plate.taps],
        )
        ours = orifice_flow(
            plate,
            difference,
            upstream_pressure_pa=101325.0,
            density_kg_per_m3=1.2,
            viscosity_pa_s=1.82e-5,
        )
        if ours.pipe_reynolds >= 1e4:
            assert ours.mass_flow_kg_per_s == pytest.approx(theirs, rel=1e-5)
