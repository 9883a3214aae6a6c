"""Whole arrays of probabilities, against the exact functions of the statistics and against scipy."""

import numpy as np
import pytest
from scipy import stats as scipy_stats  # type: ignore[import-untyped]  # it ships no types

from daq import stats
from daq.settling.distributions import normal_cdf, student_t_cdf

X = np.linspace(-9.0, 9.0, 361)


def test_the_normal_distribution_is_as_close_as_its_source_says() -> None:
    # A&S 26.2.17: |error| < 7.5e-8.
    exact = np.array([stats.normal_cdf(float(x)) for x in X])
    assert np.abs(normal_cdf(X) - exact).max() < 7.5e-8


def test_both_halves_of_the_normal_distribution_add_up_to_one() -> None:
    assert normal_cdf(X) + normal_cdf(-X) == pytest.approx(np.ones(X.shape), abs=2e-7)
    assert normal_cdf(np.array([-40.0, 40.0])).tolist() == [0.0, 1.0]


@pytest.mark.parametrize(("nu", "off"), [(2.0, 0.04), (4.0, 0.01), (7.5, 0.01)])
def test_students_distribution_is_as_close_as_stated(nu: float, off: float) -> None:
    found = student_t_cdf(X, np.full(X.shape, nu))
    assert np.abs(found - scipy_stats.t.cdf(X, nu)).max() < off


def test_arrays_keep_their_shape_and_their_order() -> None:
    found = student_t_cdf(X.reshape(19, 19), np.array([[5.0]]))
    assert found.shape == (19, 19)
    assert np.all(np.diff(found.ravel()) > 0.0)
