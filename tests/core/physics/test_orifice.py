"""Flow through an orifice plate: coefficients, iteration, limits of the standard."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.physics.orifice import OrificeFlow, orifice_flow
from daq.physics.orifice_plate import (
    OrificePlate,
    Taps,
    discharge_coefficient,
    expansibility_factor,
)


def flow_through(
    plate: OrificePlate, difference_pa: float, *, upstream_pa: float = 101325.0
) -> OrificeFlow:
    return orifice_flow(
        plate,
        difference_pa,
        upstream_pressure_pa=upstream_pa,
        density_kg_per_m3=1.2,
        viscosity_pa_s=1.82e-5,
    )


GOOD = OrificePlate(0.06, 0.1, Taps.CORNER)


# ---- figures on which two independent programs agree (ISO 5167-2:2003; again in test_air_second_opinions.py)


@pytest.mark.parametrize(
    ("beta", "reynolds", "pipe_m", "taps", "coefficient"),
    [
        (0.5, 1e5, 0.1, Taps.CORNER, 0.606873),
        (0.5, 1e5, 0.1, Taps.FLANGE, 0.606201),
        (0.5, 1e5, 0.1, Taps.D_AND_HALF_D, 0.606185),
        (0.6, 1e6, 0.2, Taps.CORNER, 0.605407),
        (0.7, 5e4, 0.1, Taps.CORNER, 0.614534),
        (0.6, 3e4, 0.05, Taps.FLANGE, 0.618593),
    ],
)
def test_the_discharge_coefficient_is_the_standards(
    beta: float, reynolds: float, pipe_m: float, taps: Taps, coefficient: float
) -> None:
    plate = OrificePlate(beta * pipe_m, pipe_m, taps)
    assert discharge_coefficient(plate, reynolds) == pytest.approx(
        coefficient, abs=2e-6
    )


def test_the_expansibility_factor_is_the_standards() -> None:
    assert expansibility_factor(0.6, 2500.0, 101325.0) == pytest.approx(
        0.992929, abs=2e-6
    )


def test_flow_and_coefficient_are_solved_together() -> None:
    found = flow_through(GOOD, 1000.0)
    assert found.mass_flow_kg_per_s == pytest.approx(0.0906348, abs=2e-7)
    assert found.volume_flow_m3_per_s * 3600.0 == pytest.approx(271.904, abs=1e-3)
    assert found.discharge_coefficient == pytest.approx(0.612186, abs=2e-6)
    assert found.pipe_reynolds == pytest.approx(63_406, abs=1.0)


# ---- uncertainty


def test_within_the_limits_the_standards_uncertainty_is_stated() -> None:
    # ISO 5167-2:2003, 5.3.3: 0.5 % of C for 0.2 <= beta <= 0.6, 3.5 dp/(kappa p1) % of epsilon, both as k = 2.
    found = flow_through(GOOD, 1000.0)
    of_expansion = 3.5 * 1000.0 / (1.4 * 101325.0)
    assert found.relative_std_uncertainty == pytest.approx(
        math.hypot(0.5, of_expansion) / 200.0
    )
    assert not found.is_indicative


@pytest.mark.parametrize(
    ("bore_m", "pipe_m", "percent"),
    [
        # 5.3.3.1: 0.7 - beta below 0.2; 1.667 beta - 0.5 above 0.6.
        (0.030, 0.200, 0.55),
        (0.070, 0.100, 0.6669),
        # D below 71.12 mm: 0.9 (0.75 - beta)(2.8 - D/25.4) more; beta 0.5, D 50.8 mm: 0.9 x 0.25 x 0.8 = 0.18.
        (0.0254, 0.0508, 0.68),
    ],
)
def test_the_coefficients_uncertainty_grows_at_the_edges(
    bore_m: float, pipe_m: float, percent: float
) -> None:
    found = flow_through(OrificePlate(bore_m, pipe_m, Taps.CORNER), 600.0)
    assert found.limits_broken == ()
    of_expansion = 3.5 * 600.0 / (1.4 * 101325.0)
    assert found.relative_std_uncertainty == pytest.approx(
        math.hypot(percent, of_expansion) / 200.0
    )


def test_a_wide_bore_at_little_flow_is_less_certain() -> None:
    # 5.3.3.1: 0.5 % more where beta > 0.5 and Re_D < 10 000.
    found = flow_through(OrificePlate(0.055, 0.1, Taps.CORNER), 25.0)
    assert 5000.0 < found.pipe_reynolds < 10_000.0
    assert found.relative_std_uncertainty == pytest.approx(1.0 / 200.0, rel=1e-3)


# ---- limits


@pytest.mark.parametrize(
    ("plate", "difference_pa", "told"),
    [
        (OrificePlate(0.012, 0.06, Taps.CORNER), 2000.0, "bore 12 mm, at least 12.5"),
        (OrificePlate(0.025, 0.045, Taps.CORNER), 2000.0, "pipe 45 mm, 50 to 1000 mm"),
        (OrificePlate(0.080, 0.100, Taps.CORNER), 2000.0, "bore over pipe 0.8, 0.1 to"),
        (OrificePlate(0.030, 0.100, Taps.CORNER), 10.0, "at least 5000"),
        # 16 000 beta² = 7840 at 0.7
        (OrificePlate(0.070, 0.100, Taps.CORNER), 6.0, "at least 7840"),
        # 170 beta² D = 170 x 0.36 x 500 = 30 600
        (OrificePlate(0.300, 0.500, Taps.FLANGE), 2.0, "at least 30600"),
        (GOOD, 26_000.0, "pressure behind over before 0.743, at least 0.75"),
    ],
)
def test_outside_a_limit_the_flow_is_indicative_and_says_why(
    plate: OrificePlate, difference_pa: float, told: str
) -> None:
    # ISO 5167-2:2003, 5.3.1 (pipe and least Reynolds number also in its published scope: 50 mm to 1000 mm, 5000).
    found = flow_through(plate, difference_pa)
    assert found.is_indicative
    assert any(told in text for text in found.limits_broken), found.limits_broken
    assert found.relative_std_uncertainty is None
    assert found.mass_flow_kg_per_s > 0.0


def test_every_broken_limit_is_told() -> None:
    found = flow_through(OrificePlate(0.010, 0.012, Taps.CORNER), 0.5)
    assert len(found.limits_broken) == 4


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: OrificePlate(0.1, 0.1, Taps.CORNER), "bore 0.1 m, expected less"),
        (lambda: OrificePlate(0.0, 0.1, Taps.CORNER), "bore 0 m"),
        (lambda: flow_through(GOOD, 0.0), "pressure difference 0 Pa"),
        (lambda: flow_through(GOOD, 2e5), "expected less than the absolute pressure"),
        (lambda: discharge_coefficient(GOOD, 0.0), "Reynolds number 0"),
        (lambda: expansibility_factor(1.2, 1.0, 1e5), "diameter ratio 1.2"),
    ],
)
def test_what_is_no_plate_or_no_flow_is_refused(call, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()


# ---- properties

PLATES = st.builds(
    lambda pipe_m, beta, taps: OrificePlate(beta * pipe_m, pipe_m, taps),
    st.floats(0.01, 1.0),
    st.floats(0.05, 0.85),
    st.sampled_from(Taps),
)


@given(PLATES, st.floats(1e-3, 2e4))
def test_the_coefficient_is_that_of_the_flow_it_makes(
    plate: OrificePlate, difference_pa: float
) -> None:
    found = flow_through(plate, difference_pa)
    assert found.discharge_coefficient == pytest.approx(
        discharge_coefficient(plate, found.pipe_reynolds), rel=1e-9
    )
    assert found.pipe_reynolds == pytest.approx(
        4.0 * found.mass_flow_kg_per_s / (math.pi * 1.82e-5 * plate.pipe_m), rel=1e-9
    )


@given(PLATES, st.floats(1e-3, 2e4))
def test_more_pressure_is_more_flow(plate: OrificePlate, difference_pa: float) -> None:
    less, more = (
        flow_through(plate, dp) for dp in (difference_pa, 1.05 * difference_pa)
    )
    assert more.mass_flow_kg_per_s > less.mass_flow_kg_per_s
