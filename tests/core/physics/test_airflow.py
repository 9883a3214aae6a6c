"""Actual and standard flow by kind of meter, and the densities that are called standard."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.physics.airflow import (
    DENSITY_EXPONENTS,
    REFERENCE_DENSITIES,
    AirMeterKind,
    CorrectedFlow,
    correct_airflow,
    reference_of_density,
)

KINDS = st.sampled_from(AirMeterKind)
DENSITIES = st.floats(0.6, 1.5)
FLOWS = st.floats(0.1, 1e4)


def corrected(
    indicated: float,
    kind: AirMeterKind,
    density: float,
    *,
    reference: float = 1.2,
    calibrated_at: float = 1.2,
    u: float = 0.0,
) -> CorrectedFlow:
    return correct_airflow(
        indicated,
        kind,
        density_kg_per_m3=density,
        reference_density_kg_per_m3=reference,
        calibrated_at_kg_per_m3=calibrated_at,
        density_relative_u=u,
    )


# ---- a bench at 914 m and 10 °C: dry air of 1.11734 kg/m³ (ISO 2533 with the ideal gas); arithmetic by hand


@pytest.mark.parametrize(
    ("kind", "actual", "standard"),
    [
        # Q and Q rho/rho0: 1.11734/1.2 = 0.931117
        (AirMeterKind.VANE, 100.0, 93.1117),
        (AirMeterKind.OWN_DENSITY, 100.0, 93.1117),
        # Q rho_c/rho and Q rho_c/rho0: 1.2/1.11734 = 1.073979
        (AirMeterKind.THERMAL, 107.3979, 100.0),
        # Q sqrt(rho_c/rho) = 1.03633 and Q sqrt(rho/rho0) = 0.96494
        (AirMeterKind.FIXED_DENSITY, 103.633, 96.494),
    ],
)
def test_each_kind_of_meter_is_corrected_in_its_own_way(
    kind: AirMeterKind, actual: float, standard: float
) -> None:
    flow = corrected(100.0, kind, 1.11734)
    assert flow.actual == pytest.approx(actual, abs=5e-4)
    assert flow.standard == pytest.approx(standard, abs=5e-4)


@pytest.mark.parametrize(
    ("reference", "standard"), [(1.2, 93.111), (1.201385, 93.004), (1.2041, 92.794)]
)
def test_the_reference_density_decides_what_standard_means(
    reference: float, standard: float
) -> None:
    # By hand: 100 x 1.11734/rho0.
    flow = corrected(100.0, AirMeterKind.VANE, 1.11734, reference=reference)
    assert flow.standard == pytest.approx(standard, abs=1e-3)
    assert flow.reference_density_kg_per_m3 == reference


def test_another_scale_density_shifts_an_orifices_flow_by_its_root() -> None:
    # By hand: Q sqrt(rho_c rho)/rho0 = 100 sqrt(1.3 x 1.1)/1.2 = 99.6522; Q sqrt(rho_c/rho) = 108.7115.
    flow = corrected(100.0, AirMeterKind.FIXED_DENSITY, 1.1, calibrated_at=1.3)
    assert flow.standard == pytest.approx(99.6522, abs=5e-4)
    assert flow.actual == pytest.approx(108.7115, abs=5e-4)


# ---- properties


@given(KINDS, FLOWS, DENSITIES, DENSITIES, DENSITIES)
def test_both_flows_are_of_the_same_mass(
    kind: AirMeterKind, indicated: float, density: float, reference: float, scale: float
) -> None:
    flow = corrected(indicated, kind, density, reference=reference, calibrated_at=scale)
    assert flow.actual * density == pytest.approx(flow.standard * reference, rel=1e-12)


@given(KINDS, FLOWS)
def test_at_the_reference_density_nothing_is_corrected(
    kind: AirMeterKind, indicated: float
) -> None:
    flow = corrected(indicated, kind, 1.2)
    assert flow.actual == pytest.approx(indicated, rel=1e-12)
    assert flow.standard == pytest.approx(indicated, rel=1e-12)


@given(FLOWS, DENSITIES, DENSITIES)
def test_altitude_leaves_a_thermal_meters_standard_flow_alone(
    indicated: float, here: float, there: float
) -> None:
    first = corrected(indicated, AirMeterKind.THERMAL, here)
    second = corrected(indicated, AirMeterKind.THERMAL, there)
    assert first.standard == pytest.approx(second.standard, rel=1e-12)


@given(KINDS, DENSITIES)
def test_the_stated_exponents_are_those_of_the_correction(
    kind: AirMeterKind, density: float
) -> None:
    before, after = corrected(1.0, kind, density), corrected(1.0, kind, density * 1.01)
    exponents = DENSITY_EXPONENTS[kind]
    step = math.log(1.01)
    assert math.log(after.actual / before.actual) / step == pytest.approx(
        exponents.actual, abs=1e-9
    )
    assert math.log(after.standard / before.standard) / step == pytest.approx(
        exponents.standard, abs=1e-9
    )


# ---- uncertainty


@pytest.mark.parametrize(
    ("kind", "actual_u", "standard_u"),
    [
        (AirMeterKind.VANE, 0.0, 0.02),
        (AirMeterKind.THERMAL, 0.02, 0.0),
        (AirMeterKind.FIXED_DENSITY, 0.01, 0.01),
        (AirMeterKind.OWN_DENSITY, 0.0, 0.02),
    ],
)
def test_a_doubtful_density_weighs_by_kind_of_meter(
    kind: AirMeterKind, actual_u: float, standard_u: float
) -> None:
    # GUM equation (12): relative uncertainties times the exponents.
    flow = corrected(100.0, kind, 1.1, u=0.02)
    assert flow.actual_relative_u == pytest.approx(actual_u)
    assert flow.standard_relative_u == pytest.approx(standard_u)


# ---- what is refused


@pytest.mark.parametrize("kind", [AirMeterKind.THERMAL, AirMeterKind.FIXED_DENSITY])
def test_a_meter_that_assumes_a_density_must_state_it(kind: AirMeterKind) -> None:
    with pytest.raises(ValueError, match="expected calibrated_at_kg_per_m3"):
        correct_airflow(
            1.0, kind, density_kg_per_m3=1.1, reference_density_kg_per_m3=1.2
        )


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"density": 11.2}, "density of the air 11.2"),
        ({"reference": 0.075}, "reference density 0.075"),
        ({"calibrated_at": 0.0}, "density that the meter assumes 0"),
        ({"u": -0.1}, "relative uncertainty of the density -0.1"),
        ({"indicated": math.nan}, "indicated flow nan"),
    ],
)
def test_impossible_figures_are_refused(changed: dict[str, float], named: str) -> None:
    figures = {"indicated": 1.0, "density": 1.1} | changed
    indicated, density = figures.pop("indicated"), figures.pop("density")
    with pytest.raises(ValueError, match=named):
        corrected(indicated, AirMeterKind.THERMAL, density, **figures)


# ---- reference densities


def by_source(source: str) -> float:
    return next(r.kg_per_m3 for r in REFERENCE_DENSITIES if r.source == source)


def test_the_inch_pound_reference_is_the_pounds_and_foots_definition() -> None:
    # 0.075 x 0.45359237/0.3048³ by hand.
    assert by_source("AMCA 210 and ASHRAE 51") == pytest.approx(1.201385, abs=5e-6)


@pytest.mark.parametrize(
    ("source", "printed", "half_a_digit"),
    [("ISO 5801", 1.2, 0.0), ("DIN 1343", 1.293, 5e-4), ("ISO 2533", 1.225, 5e-5)],
)
def test_reference_densities_are_those_printed(
    source: str, printed: float, half_a_digit: float
) -> None:
    # Another gas model was used in print: 0.06 %.
    assert by_source(source) == pytest.approx(
        printed, abs=half_a_digit + 6e-4 * printed * (half_a_digit > 0.0)
    )


def test_normal_and_standard_differ_by_nearly_eight_percent() -> None:
    # 1.29305/1.2 by hand.
    assert by_source("DIN 1343") / by_source("ISO 5801") == pytest.approx(
        1.0775, abs=5e-4
    )


def test_a_reference_density_is_named_where_it_is_known() -> None:
    known = reference_of_density(1.2014)
    assert known is not None
    assert known.source == "AMCA 210 and ASHRAE 51"
    assert reference_of_density(1.21) is None


def test_what_is_defined_by_its_density_comes_before_a_state_that_happens_to_have_it() -> (
    None
):
    known = reference_of_density(1.2)
    assert known is not None
    assert known.source == "ISO 5801"
