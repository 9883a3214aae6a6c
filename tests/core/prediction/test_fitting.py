"""The fit that knows something beforehand."""

import math

import numpy as np
import pytest

from daq.prediction.fitting import Known, fit_known

FREE = Known(np.zeros(2), np.full(2, np.inf))
# GUM (JCGM 100:2008), table H.6: readings of a thermometer and its corrections, degrees Celsius.
READINGS = np.array(
    [
        21.521,
        22.012,
        22.512,
        23.003,
        23.507,
        23.999,
        24.513,
        25.002,
        25.503,
        26.010,
        26.511,
    ]
)
CORRECTIONS = np.array(
    [
        -0.171,
        -0.169,
        -0.166,
        -0.159,
        -0.164,
        -0.165,
        -0.156,
        -0.157,
        -0.159,
        -0.161,
        -0.160,
    ]
)


def test_a_line_without_knowledge_is_that_of_the_gum() -> None:
    # JCGM 100:2008 (GUM), H.3.3: intercept -0.1712 (0.0029), slope 0.00218 (0.00067), s 0.0035,
    # and H.3.4: correction at 30 degrees -0.1494 with u = 0.0041.
    design = np.stack([np.ones(11), READINGS - 20.0], axis=1)
    fit = fit_known(design, CORRECTIONS, np.zeros(11), known=FREE, spread_degrees=None)
    assert fit.parameters == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(
        [0.0029, 0.00067], abs=5e-5
    )
    assert fit.excess == pytest.approx(0.0035, abs=5e-5)
    assert fit.degrees_of_freedom == 9
    row = np.array([1.0, 10.0])
    assert row @ fit.parameters == pytest.approx(-0.1494, abs=5e-5)
    assert math.sqrt(row @ fit.covariance @ row) == pytest.approx(0.0041, abs=5e-5)


def test_known_variances_weigh_the_points() -> None:
    # By hand: weights 1 and 1/3 make (10 + 10.4/3) / (4/3) = 10.1, variance 3/4; the two agree well within their own.
    flat = Known(np.zeros(1), np.full(1, np.inf))
    fit = fit_known(
        np.ones((2, 1)),
        np.array([10.0, 10.4]),
        np.array([1.0, 3.0]),
        known=flat,
        spread_degrees=8,
    )
    assert fit.parameters[0] == pytest.approx(10.1)
    assert fit.covariance[0, 0] == pytest.approx(0.75)
    assert fit.excess == 0.0
    assert fit.degrees_of_freedom == 8


def test_points_farther_apart_than_they_may_be_show_an_excess() -> None:
    # Paule and Mandel with equal variances v: excess variance = s^2 - v. Of 1, 2, 3, 4 s^2 is 5/3, here twice that.
    values = np.array([1.0, 2.0, 3.0, 4.0]) * math.sqrt(2.0)
    flat = Known(np.zeros(1), np.full(1, np.inf))
    fit = fit_known(
        np.ones((4, 1)), values, np.full(4, 0.5), known=flat, spread_degrees=None
    )
    assert fit.excess**2 == pytest.approx(10.0 / 3.0 - 0.5)


def test_what_is_known_stands_where_the_points_say_nothing() -> None:
    known = Known(np.array([0.0, 0.4]), np.array([np.inf, 0.1]))
    design = np.array([[1.0, 0.0], [1.0, 0.0]])
    fit = fit_known(
        design, np.array([5.0, 5.0]), np.full(2, 1e-4), known=known, spread_degrees=3
    )
    assert fit.parameters == pytest.approx([5.0, 0.4])
    assert math.sqrt(fit.covariance[1, 1]) == pytest.approx(0.1)


def test_the_directions_make_up_the_covariance() -> None:
    design = np.stack([np.ones(11), READINGS - 20.0], axis=1)
    fit = fit_known(design, CORRECTIONS, np.zeros(11), known=FREE, spread_degrees=None)
    rebuilt = sum(np.outer(change, change) for change in fit.directions())
    assert rebuilt == pytest.approx(fit.covariance)
