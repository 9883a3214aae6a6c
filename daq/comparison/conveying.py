"""What is left of the carrying ability under each condition: the ratio of airflows to a power, with its interval.

The rule is one of the trade and has no published source; it is never shown without saying so. A steep one: the interval
is taken through the rule at both ends, not by a slope.
"""

from dataclasses import dataclass

from daq.comparison.observations import Quantity
from daq.comparison.session import SessionComparison
from daq.comparison.verdicts import Difference, QuantityComparison, Verdict
from daq.physics.conveying import STANDING, conveying_index

FLOWS = ("airflow", "velocity")
"""Kinds of quantity whose ratio is that of two flows through one duct."""


@dataclass(frozen=True, slots=True)
class ConditionIndex:
    """Share of the baseline's carrying ability under one condition.

    Attributes:
        condition: Name.
        flow_ratio: To the baseline [1].
        flow_ratio_expanded_uncertainty: 95 % [1].
        index: [1].
        low, high: Its interval, 95 % [1].
        verdict: Whether the flow's difference is real; undecided: the interval holds the scatter within trials only.
    """

    condition: str
    flow_ratio: float
    flow_ratio_expanded_uncertainty: float
    index: float
    low: float
    high: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class ConveyingComparison:
    """Carrying ability against the baseline.

    Attributes:
        quantity: Whose ratio it is; None where there is no airflow.
        baseline: Name of the condition.
        exponent: Of the ratio [1].
        conditions: One each that has an index.
        remarks: What has none, and why.
        standing: Of the rule, to be printed with it.
    """

    quantity: Quantity | None
    baseline: str
    exponent: float
    conditions: tuple[ConditionIndex, ...]
    remarks: tuple[str, ...] = ()
    standing: str = STANDING


def compare_conveying(comparison: SessionComparison) -> ConveyingComparison:
    """Take each condition's airflow to the index of its carrying ability.

    Args:
        comparison: Of the session.
    """
    figures = comparison.figures
    exponent = figures.facts.rules.conveying_exponent
    compared = airflow_comparison(comparison)
    if compared is None:
        why = (
            "no conveying index: no airflow or velocity was compared with the baseline"
        )
        return ConveyingComparison(None, figures.baseline, exponent, (), (why,))
    found = [_index(each, exponent) for each in compared.differences]
    return ConveyingComparison(
        quantity=compared.quantity,
        baseline=figures.baseline,
        exponent=exponent,
        conditions=tuple(each for each in found if isinstance(each, ConditionIndex)),
        remarks=tuple(each for each in found if isinstance(each, str)),
    )


def airflow_comparison(comparison: SessionComparison) -> QuantityComparison | None:
    """The comparison of flows: the answer's if it is one, else the airflow nearest to standard air, else a velocity."""
    figures = comparison.figures
    names = [a.name for a in figures.surroundings.airflows]
    wanted = [comparison.answer or "", *(f"{n}_standard" for n in names), *names]
    there = [c for c in comparison.comparisons if c.quantity.quantity in FLOWS]
    there.sort(
        key=lambda c: (
            c.quantity.name in figures.second_choice,
            FLOWS.index(c.quantity.quantity),
        )
    )
    by_name = {c.quantity.name: c for c in there}
    return next((by_name[n] for n in wanted if n in by_name), next(iter(there), None))


def _index(difference: Difference, exponent: float) -> ConditionIndex | str:
    ratio, expanded = difference.ratio, difference.ratio_expanded_uncertainty
    if ratio is None or expanded is None:
        return f"{difference.condition}: no conveying index, the baseline's flow is not clearly different from zero"
    if not ratio > 0.0:
        return f"{difference.condition}: no conveying index, nothing flows"
    return ConditionIndex(
        condition=difference.condition,
        flow_ratio=ratio,
        flow_ratio_expanded_uncertainty=expanded,
        index=_through(ratio, exponent),
        low=_through(ratio - expanded, exponent),
        high=_through(ratio + expanded, exponent),
        verdict=difference.verdict,
    )


def _through(ratio: float, exponent: float) -> float:
    # The lower end of a wide interval may lie at no flow, which carries nothing.
    if not ratio > 0.0:
        return 0.0
    return conveying_index(ratio, ratio_std_uncertainty=0.0, exponent=exponent).value
