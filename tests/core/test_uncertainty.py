"""Combination and expansion of standard uncertainties, against the GUM's own examples."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.records import Accuracy
from daq.uncertainty import Contribution, combine, std_uncertainty_of_accuracy

VECTORS = json.loads(
    (Path(__file__).parent.parent / "vectors" / "statistics.json").read_text(
        encoding="utf-8"
    )
)
STEADY = settings(derandomize=True, deadline=None, max_examples=100)
CONTRIBUTIONS = st.lists(
    st.builds(Contribution, st.floats(0.01, 100.0), st.floats(1.0, 500.0)),
    min_size=1,
    max_size=6,
)


def _nu(value: float | None) -> float:
    """JSON has no infinity; null stands for it."""
    return math.inf if value is None else value


# ---- the maker's statement


@pytest.mark.parametrize(
    "row", VECTORS["accuracy"]["statements"], ids=lambda r: r["id"]
)
def test_a_makers_statement_becomes_a_standard_uncertainty(row: dict[str, Any]) -> None:
    u = std_uncertainty_of_accuracy(row["value"], Accuracy(**row["accuracy"]))
    assert u == pytest.approx(row["half_width"] / math.sqrt(3.0), rel=1e-12)
    # The printed figure has five significant digits.
    assert u == pytest.approx(row["u"], rel=5e-5, abs=0.0)


def test_the_parts_of_a_statement_add_up_as_limits_not_as_squares() -> None:
    whole = Accuracy(
        percent_of_reading=1.0,
        percent_of_range=0.5,
        counts=3,
        resolution=0.1,
        full_scale=200.0,
        absolute=0.2,
    )
    # 50 at 1 %, 200 at 0.5 %, 3 steps of 0.1 and 0.2: 0.5 + 1.0 + 0.3 + 0.2.
    u = std_uncertainty_of_accuracy(50.0, whole)
    assert u == pytest.approx(2.0 / math.sqrt(3.0), rel=1e-12)


# ---- combination and expansion


@pytest.mark.parametrize("row", VECTORS["combinations"], ids=lambda r: r["id"])
def test_a_published_combination_is_reproduced(row: dict[str, Any]) -> None:
    combined = combine([Contribution(u, _nu(nu)) for u, nu in row["contributions"]])
    assert combined.std_uncertainty == pytest.approx(row["u"], abs=row["u_tolerance"])
    assert combined.degrees_of_freedom == pytest.approx(
        _nu(row["nu"]), abs=row["nu_tolerance"]
    )
    assert combined.coverage_factor == pytest.approx(row["k"], abs=row["k_tolerance"])
    assert combined.expanded_uncertainty == (
        combined.coverage_factor * combined.std_uncertainty
    )


def test_one_contribution_keeps_its_degrees_of_freedom() -> None:
    # GUM Table G.2: t95(9) = 2.26.
    combined = combine([Contribution(2.0, 9)])
    assert combined.degrees_of_freedom == pytest.approx(9.0)
    assert combined.expanded_uncertainty == pytest.approx(2.0 * 2.26, abs=0.01)


def test_no_uncertainty_at_all_stays_none() -> None:
    combined = combine([Contribution(0.0, 5), Contribution(0.0)])
    assert combined.std_uncertainty == combined.expanded_uncertainty == 0.0


def test_nothing_cannot_be_combined() -> None:
    with pytest.raises(ValueError, match="expected at least one contribution"):
        combine([])


@STEADY
@given(CONTRIBUTIONS)
def test_the_effective_degrees_of_freedom_lie_between_the_least_and_the_sum(
    contributions: list[Contribution],
) -> None:
    # GUM G.4.1, note to equation (G.2b): nu_eff <= sum of nu_i.
    nu = combine(contributions).degrees_of_freedom
    each = [c.degrees_of_freedom for c in contributions]
    assert min(each) * (1.0 - 1e-12) <= nu <= sum(each) * (1.0 + 1e-12)


@STEADY
@given(CONTRIBUTIONS, st.randoms(use_true_random=False))
def test_the_order_of_the_contributions_does_not_matter(
    contributions: list[Contribution], random: Any
) -> None:
    shuffled = list(contributions)
    random.shuffle(shuffled)
    assert combine(shuffled) == combine(contributions)


@STEADY
@given(CONTRIBUTIONS, st.floats(0.01, 100.0))
def test_a_further_exact_contribution_never_makes_the_standard_uncertainty_smaller(
    contributions: list[Contribution], more: float
) -> None:
    before, after = (
        combine(contributions),
        combine([*contributions, Contribution(more)]),
    )
    assert after.std_uncertainty >= before.std_uncertainty
