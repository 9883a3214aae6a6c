"""Derived quantities: scatter adds in squares, errors of one source with their signs."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.comparison.observations import ErrorPart, propagate
from tests.core.comparison.observed import error_of, observation


def test_scatter_within_adds_in_squares():
    # GUM, 5.1.2 equation (10): u^2 = (2 * 0.3)^2 + (-1 * 0.8)^2 = 1.
    found = propagate(
        5.0,
        [
            (2.0, observation(1.0, within=0.3, nu=10.0)),
            (-1.0, observation(3.0, within=0.8, nu=10.0)),
        ],
    )
    assert found.mean == 5.0
    assert found.std_uncertainty_within == pytest.approx(1.0)
    # GUM, G.4.1 equation (G.2b): 1 / (0.6^4 / 10 + 0.8^4 / 10).
    assert found.degrees_of_freedom_within == pytest.approx(
        10.0 / (0.6**4 + 0.8**4), rel=1e-9
    )


def test_an_error_of_one_source_keeps_its_sign_and_cancels():
    # Two voltages read by one meter: its gain error nearly falls out of their difference.
    found = propagate(
        2.0,
        [
            (1.0, observation(230.0, ("meter: gain", 2.3))),
            (-1.0, observation(228.0, ("meter: gain", 2.28))),
        ],
    )
    assert error_of(found, "meter: gain") == pytest.approx(0.02)


def test_errors_of_two_meters_do_not_cancel():
    found = propagate(
        2.0,
        [
            (1.0, observation(230.0, ("one: gain", 3.0))),
            (-1.0, observation(228.0, ("other: gain", 4.0))),
        ],
    )
    assert found.std_uncertainty_systematic == pytest.approx(5.0)


def test_a_product_of_what_one_meter_reads_doubles_its_error():
    # Velocity squared: twice the relative error.
    seen = observation(10.0, ("vane: gain", 0.1))
    found = propagate(100.0, [(10.0, seen), (10.0, seen)])
    assert error_of(found, "vane: gain") == pytest.approx(2.0)


def test_errors_of_the_derivation_are_added():
    area = ErrorPart("area of the duct", 0.5, is_common=True)
    found = propagate(100.0, [(1.0, observation(100.0))], errors=[area])
    assert found.errors == (area,)


def test_one_source_may_be_common_in_part():
    seen = observation(10.0, ("vane", 1.0))
    own = ErrorPart("vane", 2.0, is_common=False)
    found = propagate(10.0, [(1.0, seen)], errors=[own])
    assert [(e.std_uncertainty, e.is_common) for e in found.errors] == [
        (1.0, True),
        (2.0, False),
    ]


def test_the_trial_is_that_of_the_inputs():
    seen = observation(10.0, trial=7, condition="fine filter")
    found = propagate(1.0, [(0.1, seen)])
    assert (found.trial, found.condition, found.at_s) == (7, "fine filter", 700.0)


@pytest.mark.parametrize(
    "inputs",
    [[], [(1.0, observation(1.0, trial=1)), (1.0, observation(1.0, trial=2))]],
)
def test_inputs_of_several_trials_or_none_are_a_mistake(inputs):
    with pytest.raises(ValueError, match="all of one trial"):
        propagate(1.0, inputs)


@given(st.floats(-1e3, 1e3), st.floats(0.0, 1e3), st.floats(0.0, 1e3))
def test_a_factor_scales_scatter_and_errors_alike(factor, within, error):
    seen = observation(1.0, ("meter", error), within=within, nu=5.0)
    found = propagate(factor, [(factor, seen)])
    assert found.std_uncertainty_within == pytest.approx(abs(factor) * within)
    assert found.std_uncertainty_systematic == pytest.approx(abs(factor) * error)
    assert math.isclose(error_of(found, "meter"), factor * error, abs_tol=1e-300)
