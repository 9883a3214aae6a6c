"""What is allowed stands beside each rating, and what was found is said where the interval reaches across an edge."""

import pytest

from daq.advice.sentences import nameplate_rows
from daq.comparison.lead_decisions import Finding
from daq.comparison.lead_report import LeadFinding, resistance_words
from daq.comparison.levels import ConditionLevel
from daq.comparison.nameplate import NameplateComparison, RatingCheck, rating_verdict
from daq.comparison.rules import LeadFacts
from daq.comparison.session import compare_session
from daq.comparison_words import MINUS, U_MEANS, accuracy_caution
from daq.records import Contribution
from daq.repeats import Basis
from daq.uncertainty import combine
from tests.core.comparison.sessions import FLOW, POWER, figures_of


@pytest.mark.parametrize(
    ("mean", "expanded", "tolerance", "allowed", "found"),
    [
        (1500.0, 10.0, 5.0, "± 5 %", "met"),
        (1418.0, 10.0, 5.0, "± 5 %", "short or met"),
        (1580.0, 10.0, 5.0, "± 5 %", "met or exceeded"),
        (1300.0, 10.0, 5.0, "± 5 %", "short"),
        (1700.0, 10.0, 5.0, "± 5 %", "exceeded"),
        (1500.0, 90.0, 5.0, "± 5 %", "not told: U is wider than what is allowed"),
        (1500.0, 10.0, 0.0, "± 0 %", "as rated, within U"),
    ],
)
def test_a_rating_stands_with_what_is_allowed_and_what_was_found(
    mean: float, expanded: float, tolerance: float, allowed: str, found: str
) -> None:
    verdict = rating_verdict(mean, expanded, 1500.0, tolerance_percent=tolerance)
    level = ConditionLevel(
        "power", "bare", (1,), mean, expanded, 2.0, 50.0, Basis.OWN_SPREAD
    )
    check = RatingCheck(POWER, 1500.0, tolerance, level, verdict)
    heading, row = nameplate_rows(NameplateComparison("bare", (check,)))
    assert heading[-2:] == ("allowed", "found")
    assert row[-2:] == (allowed, found)


def shown(ohm: float, u: float, *, is_least: bool) -> str:
    found = LeadFinding(
        condition="long lead",
        lead=LeadFacts(),
        trials=(1,),
        finding=Finding.CANNOT_TELL,
        doubt=None,
        resistance_ohm=ohm,
        uncertainty=None,
        contributions=(),
        stated=None,
        method=None,
        is_least=is_least,
        sentence="",
    )
    return resistance_words(found, ohm, combine([Contribution(u)]), unit="ohm")


def test_a_least_resistance_that_may_be_none_is_not_told_from_zero() -> None:
    # 95 % of a normal distribution: U is 1.96 times 0.3.
    assert shown(-0.015, 0.3, is_least=True) == (
        f"not told from zero ({MINUS}0.015 ± 0.588 ohm)"
    )
    assert shown(0.6, 0.1, is_least=True) == "at least 0.600 ± 0.196 ohm"


def test_a_resistance_below_zero_has_a_minus_sign() -> None:
    assert shown(-0.015, 0.3, is_least=False) == f"{MINUS}0.015 ± 0.588 ohm"


def test_what_nobody_stated_the_accuracy_of_is_named_once() -> None:
    means = {FLOW: {"bare": [100.0]}, POWER: {"bare": [1000.0]}}
    stated = compare_session(figures_of(means))
    assert accuracy_caution(stated) == ""
    unstated = compare_session(figures_of(means, unstated=("power",)))
    assert accuracy_caution(unstated) == (
        "Accuracy is not stated for power: their U, and that of what is derived from them, holds scatter and display only."
    )
    assert "what is stated of the meters' errors" in U_MEANS
