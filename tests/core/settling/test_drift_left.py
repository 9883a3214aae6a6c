"""The bound of a mixture of drifts, against the normal distribution's tables and against its own probabilities."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from daq.settling.drift_left import DriftLeft

_MANY = 1e9
"""Degrees of freedom with which Student's t is the normal distribution."""

RISK = 0.35


def _left(
    drifts: NDArray[np.float64],
    deviations: NDArray[np.float64],
    *,
    hidden: float = 0.0,
    unit: float = 1.0,
    degrees_of_freedom: float = _MANY,
) -> DriftLeft:
    """One channel, one noise; the drifts equally likely."""
    shape = (1, 1, drifts.size)
    return DriftLeft(
        drift=drifts.reshape(shape),
        deviation=deviations.reshape(shape),
        weight=np.full(shape, 1.0 / drifts.size),
        degrees_of_freedom=np.full((1, 1, 1), degrees_of_freedom),
        hidden=np.full(shape, hidden),
        units=np.array([unit]),
    )


def _bound(left: DriftLeft, limit: float, risk: float = RISK) -> float:
    return float(left.bounds(np.array([limit]), risk=risk)[0])


@pytest.mark.parametrize(
    ("risk", "quantile"), [(0.05, 1.9600), (0.3173, 1.0000), (0.5, 0.6745)]
)
@pytest.mark.parametrize("limit", [0.9, 2.0, 12.0])
def test_the_bound_of_normal_drift_about_none_is_the_normal_quantile(
    risk: float, quantile: float, limit: float
) -> None:
    # Two-sided quantiles of any table of the normal distribution.
    left = _left(np.zeros(1), np.ones(1))
    assert _bound(left, limit, risk) == pytest.approx(quantile, abs=limit / 32.0)


def test_a_drift_that_is_known_is_its_own_bound() -> None:
    left = _left(np.array([-3.0]), np.array([1e-3]))
    assert _bound(left, 5.0) == pytest.approx(3.0, abs=5.0 / 32.0)
    # And where it lies outside.
    assert _bound(left, 0.5) == pytest.approx(3.0, abs=3.0 / 32.0)


def test_what_rounding_may_hide_comes_on_top() -> None:
    plain = _bound(_left(np.zeros(1), np.ones(1)), 2.0)
    hidden = _bound(_left(np.zeros(1), np.ones(1), hidden=0.5), 2.0)
    assert hidden - plain == pytest.approx(0.5, abs=0.01)


def test_the_bound_is_in_the_channels_unit() -> None:
    plain = _bound(_left(np.zeros(1), np.ones(1)), 2.0)
    in_watts = _bound(_left(np.zeros(1), np.ones(1), unit=40.0), 80.0)
    assert in_watts == pytest.approx(40.0 * plain)


@st.composite
def _mixtures(draw: st.DrawFn) -> DriftLeft:
    drifts = draw(st.lists(st.floats(-4.0, 4.0), min_size=1, max_size=6))
    return _left(
        np.array(drifts),
        np.full(len(drifts), draw(st.floats(0.01, 3.0))),
        hidden=draw(st.floats(0.0, 2.0)),
        degrees_of_freedom=draw(st.floats(2.0, 60.0)),
    )


@settings(max_examples=60)
@given(left=_mixtures(), limit=st.floats(0.3, 5.0), risk=st.floats(0.05, 0.8))
def test_it_fits_the_limit_exactly_where_the_probability_is_accepted(
    left: DriftLeft, limit: float, risk: float
) -> None:
    is_accepted = bool(left.outside(np.array([limit]))[0] <= risk)
    assert (_bound(left, limit, risk) <= limit) == is_accepted


def test_channels_are_found_each_by_itself() -> None:
    drifts = np.array([[0.0], [0.4], [9.0]])[:, :, None]
    left = DriftLeft(
        drift=drifts,
        deviation=np.ones((3, 1, 1)),
        weight=np.ones((3, 1, 1)),
        degrees_of_freedom=np.full((3, 1, 1), 20.0),
        hidden=np.zeros((3, 1, 1)),
        units=np.ones(3),
    )
    together = left.bounds(np.full(3, 2.0), risk=RISK)
    for row in range(3):
        alone = DriftLeft(
            drift=left.drift[[row]],
            deviation=left.deviation[[row]],
            weight=left.weight[[row]],
            degrees_of_freedom=left.degrees_of_freedom[[row]],
            hidden=left.hidden[[row]],
            units=left.units[[row]],
        )
        assert together[row] == alone.bounds(np.full(1, 2.0), risk=RISK)[0]
