"""Areas, flows and traverses: the points follow from the rules that they are named after."""

import math
from collections.abc import Sequence

import pytest

from daq.physics.ducts import (
    TraverseRule,
    circular_area,
    circular_traverse,
    flow_from_velocity,
    profile_factor_of_centre,
    rectangular_area,
    rectangular_traverse,
)

EQUAL_WEIGHTS = {
    2: (0.577350,),
    3: (0.0, 0.707107),
    4: (0.187592, 0.794654),
    5: (0.0, 0.374541, 0.832497),
}
"""Abscissas for equal-weight Chebyshev integration over -1 to 1; Abramowitz and Stegun, table 25.5, one sign."""

ROUND_SETS = [
    (TraverseRule.LOG_LINEAR, 3),
    (TraverseRule.LOG_LINEAR, 4),
    (TraverseRule.LOG_LINEAR, 5),
    (TraverseRule.LOG_TCHEBYCHEFF, 3),
    (TraverseRule.LOG_TCHEBYCHEFF, 4),
]


def both_signs(points: int) -> list[float]:
    return sorted({sign * a for a in EQUAL_WEIGHTS[points] for sign in (-1.0, 1.0)})


def outermost(points_per_radius: int) -> float:
    """Where a logarithmic law has its mean over the outer of so many rings of equal area, y/D.

    With x = 1 - r/R and b its value at the ring's inner edge: mean = k [2 (b ln b - b) - (b² ln b - b²/2)].
    """
    k = points_per_radius
    b = 1.0 - math.sqrt(1.0 - 1.0 / k)
    integral = 2.0 * (b * math.log(b) - b) - (b**2 * math.log(b) - b**2 / 2.0)
    return math.exp(k * integral) / 2.0


def radius_of(rule: TraverseRule, points: int) -> tuple[float, ...]:
    return circular_traverse(rule, points)[:points]


def mean_of_power_law(positions: Sequence[float]) -> float:
    return sum((2.0 * y) ** (1.0 / 7.0) for y in positions) / len(positions)


# ---- areas and flow


def test_areas_are_those_of_geometry() -> None:
    assert circular_area(2.0) == pytest.approx(math.pi)
    assert rectangular_area(2.0, 3.0) == 6.0


def test_a_known_velocity_in_a_hose_makes_its_flow() -> None:
    # By hand: 30 L/s through 50 mm are 0.030/(pi/4 x 0.05²) = 15.2789 m/s.
    flow = flow_from_velocity(15.2789, circular_area(0.05))
    assert flow == pytest.approx(0.030, abs=1e-6)


def test_four_thousand_feet_a_minute_in_a_four_inch_duct() -> None:
    # By hand: 4000 ft/min x pi/4 x (4/12 ft)² = 349.07 ft³/min; 1 ft = 0.3048 m.
    flow = flow_from_velocity(4000.0 * 0.3048 / 60.0, circular_area(4.0 * 0.0254))
    assert flow / (0.3048**3 / 60.0) == pytest.approx(349.07, abs=5e-3)


def test_a_profile_factor_scales_the_flow() -> None:
    assert flow_from_velocity(10.0, 0.01, profile_factor=0.82) == pytest.approx(0.082)


@pytest.mark.parametrize(
    ("n", "factor"),
    [(7.0, 0.816667), (6.0, 0.791209), (1.0, 1.0 / 3.0)],
)
def test_the_centres_factor_is_the_integral_of_the_power_law(
    n: float, factor: float
) -> None:
    # By hand: 2 n²/((n + 1)(2 n + 1)): 98/120; 72/91; n = 1 is a cone, a third of its height.
    assert profile_factor_of_centre(n) == pytest.approx(factor, abs=1e-6)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: circular_area(0.0), "diameter 0 m"),
        (lambda: rectangular_area(-1.0, 1.0), "width -1 m"),
        (lambda: rectangular_area(1.0, math.nan), "height nan m"),
        (lambda: flow_from_velocity(math.inf, 1.0), "velocity inf m/s"),
        (lambda: flow_from_velocity(1.0, 0.0), "area 0 m²"),
        (lambda: flow_from_velocity(1.0, 1.0, profile_factor=0.0), "factor 0"),
        (lambda: flow_from_velocity(1.0, 1.0, profile_factor=1.6), "factor 1.6"),
        (lambda: profile_factor_of_centre(0.5), "inverse exponent 0.5"),
    ],
)
def test_impossible_ducts_are_refused(call, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()


# ---- round ducts


@pytest.mark.parametrize(("rule", "points"), ROUND_SETS)
def test_a_round_traverse_is_symmetric_and_runs_from_wall_to_wall(
    rule: TraverseRule, points: int
) -> None:
    positions = circular_traverse(rule, points)
    assert len(positions) == 2 * points
    assert list(positions) == sorted(positions)
    assert all(
        near + far == pytest.approx(1.0)
        for near, far in zip(positions, reversed(positions), strict=True)
    )


@pytest.mark.parametrize("points", [3, 4])
def test_the_log_tchebycheff_points_follow_from_the_rule(points: int) -> None:
    # Logarithmic law in the outer ring; within, equal-weight nodes over the square of the radius.
    inner = 1.0 - 1.0 / points
    squares = [0.5 * inner * (1.0 + node) for node in both_signs(points - 1)]
    within = sorted(0.5 * (1.0 - math.sqrt(square)) for square in squares)
    derived = [outermost(points), *within]
    found = radius_of(TraverseRule.LOG_TCHEBYCHEFF, points)
    # Half of the last of four digits, and the table's own rounding.
    assert found == pytest.approx(derived, abs=6e-5)


@pytest.mark.parametrize("points", [3, 4, 5])
def test_the_log_linear_points_hold_the_mean_of_a_logarithmic_law(points: int) -> None:
    # Over a circle the mean of ln(1 - r/R) is -3/2, exactly. The tolerance is what three digits leave: half a digit of
    # the outermost point, shared by all.
    radius = radius_of(TraverseRule.LOG_LINEAR, points)
    mean = sum(math.log(2.0 * y) for y in radius) / points
    assert mean == pytest.approx(-1.5, abs=0.0005 / radius[0] / points)


@pytest.mark.parametrize(
    ("points", "printed"),
    [
        (3, (0.032, 0.135, 0.321, 0.679, 0.865, 0.968)),
        (4, (0.021, 0.117, 0.184, 0.345, 0.655, 0.816, 0.883, 0.979)),
        (5, (0.019, 0.077, 0.153, 0.217, 0.361, 0.639, 0.783, 0.847, 0.923, 0.981)),
    ],
)
def test_the_log_linear_points_are_those_printed(
    points: int, printed: tuple[float, ...]
) -> None:
    # ISO 3966 to three digits, as published instructions of air-velocity meters have it (one of them prints 0.981 for
    # the last of eight, which its own 0.021 contradicts).
    found = circular_traverse(TraverseRule.LOG_LINEAR, points)
    assert found == pytest.approx(printed, abs=1e-9)


@pytest.mark.parametrize(("rule", "points"), ROUND_SETS)
def test_a_traverse_finds_the_mean_of_a_power_law_within_four_parts_in_a_thousand(
    rule: TraverseRule, points: int
) -> None:
    # Exact mean of (1 - r/R)^(1/7) over the circle: 98/120.
    mean = mean_of_power_law(radius_of(rule, points))
    assert mean == pytest.approx(98.0 / 120.0, rel=0.004)
    assert mean < 98.0 / 120.0


# ---- rectangular ducts


@pytest.mark.parametrize("lines", [5, 6, 7])
def test_the_lines_across_a_rectangle_follow_from_the_rule(lines: int) -> None:
    # Logarithmic law in the outer strips of width 1/n: its mean is at (1/n)/e; equal-weight nodes between them.
    half = 0.5 - 1.0 / lines
    inner = [0.5 + half * node for node in both_signs(lines - 2)]
    outer = 1.0 / lines / math.e
    derived = [outer, *inner, 1.0 - outer]
    # Half of the last of three digits.
    assert rectangular_traverse(lines) == pytest.approx(derived, abs=5.1e-4)


@pytest.mark.parametrize(
    ("lines", "printed"),
    [
        (5, (0.074, 0.288, 0.500, 0.712, 0.926)),
        (6, (0.061, 0.235, 0.437, 0.563, 0.765, 0.939)),
        (7, (0.053, 0.203, 0.366, 0.500, 0.634, 0.797, 0.947)),
    ],
)
def test_the_lines_across_a_rectangle_are_those_printed(
    lines: int, printed: tuple[float, ...]
) -> None:
    # ISO 3966 and ASHRAE 111, as published instructions of air-velocity meters have them.
    assert rectangular_traverse(lines) == printed


# ---- what is refused


def test_a_set_of_points_that_does_not_exist_is_refused_with_those_that_do() -> None:
    with pytest.raises(ValueError, match="5 points a radius, expected 3, 4 for the"):
        circular_traverse(TraverseRule.LOG_TCHEBYCHEFF, 5)
    with pytest.raises(ValueError, match="4 lines, expected 5, 6, 7"):
        rectangular_traverse(4)
