"""Curves over the voltage: the law comes back, and doubts are as large as they should be."""

import math
from dataclasses import replace

import pytest

from daq.comparison.observations import Observation
from daq.comparison.spread import StatedSpread
from daq.prediction.curves import Curve, fit_curve
from daq.prediction.points import Elsewhere, points_of
from daq.repeats import Spread
from tests.core.prediction.exact import FLOW, VOLTS

RELATIVE = Elsewhere(unit_per_step=300.0, level=300.0)


def observation(
    trial: int, condition: str, mean: float, within: float = 1e-6
) -> Observation:
    return Observation(trial, condition, 300.0 * trial, mean, within * mean, 50.0)


def curve_of(
    power: float, *, bend: float = 0.0, repeats: int = 1, off: float = 0.0
) -> Curve:
    """y = 300 (V/230)^(power + bend ln(V/230)); the n-th repeat lies `off` above or below it."""
    pairs = []
    for number in range(repeats):
        for index, (name, voltage_v) in enumerate(VOLTS.items()):
            x = math.log(voltage_v / 230.0)
            sign = (-1.0) ** number if repeats > 1 else 0.0
            y = 300.0 * math.exp(power * x + bend * x * x + sign * off)
            trial = 10 * number + index
            pairs.append(
                (observation(trial, name, voltage_v), observation(trial, name, y))
            )
    return fit_curve(FLOW, pairs, RELATIVE)


@pytest.mark.parametrize("power", [-1.0, 0.0, 0.6, 2.0])
def test_a_power_law_comes_back(power: float) -> None:
    curve = curve_of(power)
    assert curve.fit.parameters[1] == pytest.approx(power, abs=1e-4)
    assert curve.value(220.0) == pytest.approx(300.0 * (220.0 / 230.0) ** power)


def test_a_bend_comes_back_where_the_points_tell_of_it() -> None:
    curve = curve_of(0.6, bend=1.0)
    assert curve.fit.parameters[2] == pytest.approx(1.0, rel=0.01)


@pytest.mark.parametrize("volts", [217.0, 219.0, 224.0, 228.0, 230.0])
def test_a_machine_that_bends_more_than_expected_stays_within_the_interval(
    volts: float,
) -> None:
    curve = curve_of(0.6, bend=5.0)
    x = math.log(volts / 230.0)
    true = 300.0 * math.exp(0.6 * x + 5.0 * x * x)
    left = math.hypot(
        curve.expanded_uncertainty(volts),
        curve.fit.coverage_factor * curve.fit.excess * true,
    )
    assert curve.fit.excess > 0.0
    assert abs(curve.value(volts) - true) <= left


def test_points_that_scatter_say_less_of_a_bend_than_what_is_known_beforehand() -> None:
    # Offsets of 1 % on a range of 6 % of voltage: a bend of 1 makes 0.1 % there.
    curve = curve_of(0.6, repeats=4, off=0.01)
    assert math.sqrt(curve.fit.covariance[2, 2]) == pytest.approx(1.0, rel=0.05)


def test_the_spread_of_repeats_makes_the_interval() -> None:
    # By hand: four repeats at +-1 % spread by 1 % * sqrt(4/3), each condition's mean by half of that.
    curve = curve_of(0.6, repeats=4, off=0.01)
    assert curve.points.spread_degrees == 12
    assert curve.points.variances == pytest.approx([1e-4 / 3.0] * 4, rel=1e-3)


def test_one_trial_each_leaves_the_residuals_to_tell() -> None:
    points = curve_of(0.6).points
    assert points.spread_degrees is None


def test_a_supply_that_wanders_along_the_curve_is_no_spread() -> None:
    pairs = [
        (observation(t, c, v), observation(t, c, 300.0 * (v / 230.0) ** 2))
        for t, (c, v) in enumerate(
            [
                ("a", 230.0),
                ("a", 231.0),
                ("b", 226.0),
                ("b", 225.0),
                ("c", 220.0),
                ("c", 221.0),
            ]
        )
    ]
    curve = fit_curve(FLOW, pairs, RELATIVE)
    # 1 V is 0.9 % of the airflow; what is left of it is the curve's own bend.
    assert max(curve.points.variances) < 1e-4**2


def test_repeats_of_earlier_sessions_tell_the_spread_where_this_one_has_none() -> None:
    pairs = [
        (observation(t, c, v), observation(t, c, 300.0 * v / 230.0))
        for t, (c, v) in enumerate(VOLTS.items())
    ]
    earlier = replace(RELATIVE, earlier=((3, Spread(3.0, 6)),))
    points = points_of(pairs, replace(earlier, unit_per_step=1.0))
    # 3 m3/h of the spread beside nothing of its own.
    assert points.spread_degrees == 6
    assert points.variances == pytest.approx([9.0] * 4)
    stated = replace(
        RELATIVE, unit_per_step=1.0, stated=StatedSpread(1.0, 8.0, "notes")
    )
    assert points_of(pairs, stated).variances == pytest.approx([9.0] * 4)


def test_the_interval_grows_with_the_square_of_the_distance_in_the_end() -> None:
    curve = curve_of(0.6, repeats=4, off=0.01)
    near, far = (curve.expanded_uncertainty(v) / curve.value(v) for v in (60.0, 20.0))
    # The points lie about 223.7 V; what the power leaves open grows but with the distance itself, hence 10 %.
    distances = [math.log(223.7 / v) ** 2 for v in (60.0, 20.0)]
    assert far / near == pytest.approx(distances[1] / distances[0], rel=0.1)
