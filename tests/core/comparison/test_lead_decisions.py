"""Is a lead what its jacket says, and which lead fits: decisions from a resistance and its uncertainty."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.comparison.lead_decisions import (
    Decision,
    Doubt,
    Finding,
    decide,
    likely_fitted,
)
from daq.comparison.lead_ranges import LeadRange
from daq.comparison.rules import ConditionFacts, LeadFacts
from daq.uncertainty import Combined
from tests.core.comparison.simulated_leads import drawn_session
from tests.startups.bounds import share

# 1.5 mm² and 25 m: copper of 17.241/1.5 ohm/km (IEC 60028), at most 13.3 ohm/km (IEC 60228:2004, table 3) and contacts of
# 20 milliohms; one size smaller, 1 mm², 17.241 ohm/km. Loops of 50 m.
STATED = LeadRange(0.5747, 0.685, 0.8621, "IEC 60228")


def known_to(u_ohm: float) -> Combined:
    return Combined(u_ohm, math.inf, 2.0, 2.0 * u_ohm)


@pytest.mark.parametrize(
    ("resistance_ohm", "u_ohm", "finding", "doubt"),
    [
        (0.60, 0.01, Finding.AS_IT_SHOULD_BE, None),
        # U reaches beyond the maximum, but 0.8621 - 0.685 is more than 3.645 u: 1 mm² would have been found.
        (0.68, 0.04, Finding.AS_IT_SHOULD_BE, None),
        # 3.645 times 0.05 is more than that.
        (0.68, 0.05, Finding.CANNOT_TELL, Doubt.TOO_COARSE),
        # 0.765 less 2 times 0.04 is exactly the maximum.
        (0.764, 0.04, Finding.AS_IT_SHOULD_BE, None),
        (0.766, 0.04, Finding.TOO_HIGH, None),
        # The whole interval below nine tenths of nominal copper, 0.5172.
        (0.49, 0.01, Finding.CANNOT_TELL, Doubt.TOO_LOW),
        (0.50, 0.01, Finding.AS_IT_SHOULD_BE, None),
        # 15 % of 0.60 is 0.09.
        (0.60, 0.091, Finding.CANNOT_TELL, Doubt.TOO_UNCERTAIN),
        (2.00, 0.31, Finding.CANNOT_TELL, Doubt.TOO_UNCERTAIN),
        (-0.1, 0.01, Finding.CANNOT_TELL, Doubt.TOO_UNCERTAIN),
    ],
)
def test_a_resistance_is_held_against_what_its_size_allows(
    resistance_ohm: float, u_ohm: float, finding: Finding, doubt: Doubt | None
) -> None:
    found = decide(resistance_ohm, known_to(u_ohm), STATED)
    assert found == Decision(finding, doubt)


def test_without_size_and_length_nothing_can_be_told() -> None:
    found = decide(0.6, known_to(0.01), None)
    assert found == Decision(Finding.CANNOT_TELL, Doubt.NOTHING_STATED)


def test_a_size_that_no_standard_lists_cannot_be_told() -> None:
    unlisted = LeadRange(0.5, None, 0.8, "not listed")
    found = decide(0.6, known_to(0.01), unlisted)
    assert found == Decision(Finding.CANNOT_TELL, Doubt.NOT_LISTED)


def test_a_least_value_can_be_too_high_and_never_as_it_should_be() -> None:
    low = decide(0.6, known_to(0.01), STATED, is_least=True)
    assert low == Decision(Finding.CANNOT_TELL, Doubt.RELATIVE)
    high = decide(0.8, known_to(0.01), STATED, is_least=True)
    assert high == Decision(Finding.TOO_HIGH)


def test_the_thinnest_size_has_none_below_it_to_be_told_from() -> None:
    thinnest = LeadRange(0.5747, 0.685, None, "IEC 60228")
    found = decide(0.68, known_to(0.01), thinnest)
    assert found == Decision(Finding.CANNOT_TELL, Doubt.TOO_COARSE)


@given(
    resistance_ohm=st.floats(0.0, 5.0),
    u_ohm=st.floats(1e-6, 1.0),
    less=st.floats(0.0, 0.5),
)
def test_less_resistance_never_makes_a_lead_too_high(
    resistance_ohm: float, u_ohm: float, less: float
) -> None:
    lower = decide(resistance_ohm - less, known_to(u_ohm), STATED)
    if lower.finding is Finding.TOO_HIGH:
        higher = decide(resistance_ohm, known_to(u_ohm), STATED)
        assert higher.finding is Finding.TOO_HIGH


# ---- which lead is fitted


def condition(name: str, area_mm2: float, length_m: float) -> ConditionFacts:
    lead = LeadFacts(area_mm2=area_mm2, length_m=length_m)
    return ConditionFacts(name, ("lead",), lead=lead)


# Loops of nominal copper: 0.0690, 0.3448, 0.5747 and 1.379 ohm (2 L rho / A, 1/58 ohm mm²/m by IEC 60028).
PLAN = (
    condition("short", 2.5, 5.0),
    condition("thick", 2.5, 25.0),
    condition("middle", 1.5, 25.0),
    condition("thin", 1.0, 40.0),
)


def fitted(
    resistance_ohm: float, called_for: str, *, expanded: float = 0.03
) -> str | None:
    return likely_fitted(resistance_ohm, expanded, PLAN, called_for=called_for)


def test_the_lead_that_was_called_for_fits() -> None:
    assert fitted(0.36, "thick") is None


def test_another_lead_of_the_plan_fits_far_better() -> None:
    assert fitted(1.4, "thick") == "thin"
    assert fitted(0.36, "thin") == "thick"
    assert fitted(0.08, "middle") == "short"


def test_a_resistance_that_no_lead_has_names_none() -> None:
    assert fitted(0.9, "thick") is None


def test_an_uncertainty_that_reaches_the_lead_called_for_names_none() -> None:
    assert fitted(0.60, "thick") == "middle"
    assert fitted(0.60, "thick", expanded=0.2) is None


def test_of_several_that_fit_the_nearest_is_named() -> None:
    # 0.42 is at the upper end of "thick" (0.3448 to 0.419), U reaches down from 0.5172 of "middle" as well.
    assert fitted(0.45, "thin", expanded=0.1) == "thick"
    assert fitted(0.56, "thin", expanded=0.2) == "middle"


def test_a_lead_that_is_not_described_is_not_missed() -> None:
    bare = ConditionFacts("as it comes", ("lead",))
    plan = (*PLAN, bare)
    assert likely_fitted(1.4, 0.03, plan, called_for="as it comes") is None
    assert likely_fitted(1.4, 0.03, plan, called_for="thick") == "thin"


# ---- how often that is right


@pytest.mark.slow
def test_thin_conductors_are_found_and_right_ones_are_not_accused() -> None:
    """A small share of tests/benchmarks/leads.py, where 2000 sessions are carried out; bounds are of 95 %."""
    random = np.random.default_rng(4)
    drawn = [drawn_session(random) for _ in range(200)]
    told = [d for d in drawn if d.relative_u <= 0.15]
    thin = [d.found.finding for d in told if d.is_thin]
    right = [d.found.finding for d in told if not d.is_thin]
    assert min(len(thin), len(right)) > 70
    assert share([f is Finding.TOO_HIGH for f in thin]).allows_at_least(0.95)
    assert share([f is Finding.TOO_HIGH for f in right]).allows_at_most(0.02)
    assert share([f is Finding.AS_IT_SHOULD_BE for f in thin]).allows_at_most(0.01)
    elsewhere = [d.found.finding for d in drawn if d.relative_u > 0.15]
    assert set(elsewhere) <= {Finding.CANNOT_TELL}
