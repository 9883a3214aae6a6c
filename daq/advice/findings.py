"""Findings of safety: how grave, what about, under which conditions, by which figures, on what basis."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from daq.advice.measured import Measured
from daq.comparison_words import quoted


class Severity(StrEnum):
    """How grave a finding is."""

    WARNING = "warning"
    CAUTION = "caution"


class Hazard(StrEnum):
    """What a finding is about."""

    LEAD_RATING = "rating of the lead"
    PLUG_RATING = "rating of plug and socket"
    CIRCUIT = "rating of the circuit"
    CIRCUIT_SHARE = "80 % of the circuit"
    PLAN_LIMIT = "limit of the plan"
    VOLTAGE_DROP = "voltage drop"
    LOW_VOLTAGE = "low voltage at the motor"
    HEAT = "heat in the lead"


@dataclass(frozen=True, slots=True)
class Figure:
    """A measured figure and what it was held against.

    Attributes:
        condition: Name.
        value, expanded_uncertainty: [unit].
        limit: [unit]; None where there is none.
        unit: As units.py spells it, or "W/m".
    """

    condition: str
    value: float
    expanded_uncertainty: float
    limit: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Finding:
    """Something to beware of.

    Attributes:
        severity: A warning where a stated rating or limit is surely passed, or a coiled lead turns much into heat.
        hazard: What it is about.
        conditions: Under which it was found, the worst first.
        text: What was measured, what it may mean, what to do.
        basis: Where the limit is from.
        figures: Measured, in the order of the conditions; empty where the plan alone tells.
    """

    severity: Severity
    hazard: Hazard
    conditions: tuple[str, ...]
    text: str
    basis: str
    figures: tuple[Figure, ...] = ()

    @property
    def condition(self) -> str:
        """The worst of its conditions."""
        return self.conditions[0]


@dataclass(frozen=True, slots=True)
class SafetyFindings:
    """What to beware of, and what could not be checked.

    Attributes:
        findings: Warnings first.
        unchecked: In sentences.
    """

    findings: tuple[Finding, ...]
    unchecked: tuple[str, ...]

    @property
    def warned(self) -> frozenset[str]:
        """Conditions against which a warning stands."""
        return frozenset(
            condition
            for finding in self.findings
            if finding.severity is Severity.WARNING
            for condition in finding.conditions
        )


def found(
    hazard: Hazard,
    figures: Sequence[Measured],
    limit: float | None,
    *,
    text: str,
    basis: str,
    is_warning: bool = False,
    conditions: Sequence[str] = (),
) -> Finding:
    """A finding from measured figures.

    Args:
        hazard: What it is about.
        figures: Measured, the worst first; may be empty where conditions are named.
        limit: That they were held against [their unit]; None where there is none.
        text: What it says.
        basis: Where the limit is from.
        is_warning: Not only a caution.
        conditions: Instead of those of the figures.
    """
    return Finding(
        severity=Severity.WARNING if is_warning else Severity.CAUTION,
        hazard=hazard,
        conditions=tuple(conditions or (each.condition for each in figures)),
        text=text,
        basis=basis,
        figures=tuple(
            Figure(m.condition, m.value, m.expanded_uncertainty, limit, m.unit)
            for m in figures
        ),
    )


def shown_worst(figures: Sequence[Measured]) -> str:
    """The worst of some figures, and how many more there are: "9.8 ± 0.1 A with 'short lead'"."""
    worst = f"{figures[0].shown} with {quoted(figures[0].condition)}"
    others = len(figures) - 1
    if not others:
        return worst
    return f"{worst} and {others} more {'condition' if others == 1 else 'conditions'}"
