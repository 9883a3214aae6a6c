"""What drifted from the first baseline trial to the last: supply, room, machine.

The change is that of the baseline's own trials, which is also the error with which the session closes. What it is held
against is the spread between trials with an even drift, common to all conditions, taken out: left in, it would hide itself.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from daq.comparison.observations import Observation, Quantity
from daq.comparison.session import SessionComparison
from daq.comparison.spread import UsedSpread, usable_spread
from daq.comparison.verdicts import Verdict, compare_quantity
from daq.repeats import Spread

_S_PER_H = 3600.0


class DriftVerdict(StrEnum):
    """Whether the baseline drifted."""

    DRIFTED = "drifted"
    NOT_SHOWN = "not shown"
    UNDECIDED = "undecided"


_VERDICTS = {
    Verdict.REAL: DriftVerdict.DRIFTED,
    Verdict.NOT_SHOWN: DriftVerdict.NOT_SHOWN,
    Verdict.UNDECIDED: DriftVerdict.UNDECIDED,
}


@dataclass(frozen=True, slots=True)
class BaselineDrift:
    """One quantity from the first baseline trial to the last.

    Attributes:
        quantity: What.
        first_trial, last_trial: Numbers in the store.
        mean: Of all baseline trials [unit of the quantity].
        change: Last less first [same unit].
        expanded_uncertainty: Of the change, 95 % for this one [same unit].
        hours: Between them [h].
        verdict: Whether it drifted.
        spread: Between trials, drift taken out, that the verdict rests on; None where undecided.
        allowance: Change that would matter [same unit]; None where the plan names none for this quantity.
    """

    quantity: Quantity
    first_trial: int
    last_trial: int
    mean: float
    change: float
    expanded_uncertainty: float
    hours: float
    verdict: DriftVerdict
    spread: UsedSpread | None
    allowance: float | None = None

    @property
    def per_hour(self) -> float | None:
        """Change over time [unit of the quantity per hour]; None where no time lies between."""
        return self.change / self.hours if self.hours > 0.0 else None

    @property
    def per_hour_expanded_uncertainty(self) -> float | None:
        """Of that [same unit]."""
        return self.expanded_uncertainty / self.hours if self.hours > 0.0 else None

    @property
    def is_closing_badly(self) -> bool:
        """Whether the session closes with an error to warn of: one that is real, or larger than what matters."""
        is_large = self.allowance is not None and abs(self.change) > self.allowance
        return is_large or self.verdict is DriftVerdict.DRIFTED


@dataclass(frozen=True, slots=True)
class SessionDrift:
    """What drifted during a session.

    Attributes:
        baseline: Name of the condition.
        is_corrected: Whether the comparison takes an even drift out of its differences.
        checks: One a quantity: the answer's first, then those that trials waited for, then the others.
        absent: Why there are none; empty where there are.
    """

    baseline: str
    is_corrected: bool
    checks: tuple[BaselineDrift, ...]
    absent: str = ""


def baseline_drift(comparison: SessionComparison) -> SessionDrift:
    """Find what drifted from the first baseline trial to the last.

    Args:
        comparison: Of the session.
    """
    figures = comparison.figures
    quantities = sorted(
        figures.quantities, key=lambda q: (q.name != comparison.answer, not q.required)
    )
    found = [_drift(comparison, quantity) for quantity in quantities]
    checks = tuple(each for each in found if each)
    return SessionDrift(
        baseline=figures.baseline,
        is_corrected=figures.facts.rules.bracketing,
        checks=checks,
        absent="" if checks else _why_none(comparison),
    )


def spread_about_drift(observations: Sequence[Observation]) -> Spread | None:
    r"""Spread between trials about their condition's mean and an even drift that all conditions share.

    .. math:: y_{ij} = \mu_i + \beta t_{ij} + e_{ij}, \quad s^2 = \frac{\sum \hat e_{ij}^2}{\nu}, \quad
        \nu = N - \mathrm{rank}

    Args:
        observations: Of one quantity [unit of the quantity].

    Returns:
        Spread [same unit] with its degrees of freedom [1]; None where there is nothing left to tell it from.

    Validity:
        Trial means of equal variance and independent but for the even drift. Curvature stays in the spread. The change
        that is held against it is in part made of the same residuals, which makes too large an interval, never too small.

    Source:
        Analysis of covariance by least squares; the residuals' variance as NIST/SEMATECH e-Handbook of Statistical
        Methods, 4.4.3.1 (cited from memory).

    Example:
        >>> rows = [("A", 0.0, 100.0), ("B", 1.0, 90.1), ("A", 2.0, 100.2), ("B", 3.0, 90.3)]
        >>> seen = [Observation(i, c, t, y, 0.0, 9.0) for i, (c, t, y) in enumerate(rows)]
        >>> spread_about_drift(seen).std_dev < 1e-9
        True
    """
    conditions = list(dict.fromkeys(o.condition for o in observations))
    times = np.array([o.at_s for o in observations])
    if not conditions:
        return None
    columns = [[o.condition == name for o in observations] for name in conditions]
    # Scaled to about 1: seconds of a long session would spoil the rank.
    span = max(float(np.ptp(times)), 1.0)
    design = np.column_stack([*np.array(columns, float), (times - times[0]) / span])
    values = np.array([o.mean for o in observations])
    solved, _, rank, _ = np.linalg.lstsq(design, values, rcond=None)
    degrees = len(values) - int(rank)
    if degrees < 1:
        return None
    squares = float(np.sum((values - design @ solved) ** 2))
    return Spread((squares / degrees) ** 0.5, degrees)


def _drift(comparison: SessionComparison, quantity: Quantity) -> BaselineDrift | None:
    figures = comparison.figures
    observations = figures.observations.get(quantity.name, ())
    base = [o for o in observations if o.condition == figures.baseline]
    if len(base) < 2:
        return None
    rules = figures.facts.rules
    mean = sum(o.mean for o in base) / len(base)
    spread = usable_spread(
        spread_about_drift(observations),
        earlier=figures.earlier.get(quantity.name, ()),
        stated=rules.spreads.get(quantity.name),
        baseline_mean=mean,
    )
    matters = rules.detect_percent if quantity.name == comparison.answer else None
    change, expanded, verdict = _change(quantity, base[0], base[-1], spread)
    return BaselineDrift(
        quantity=quantity,
        first_trial=base[0].trial,
        last_trial=base[-1].trial,
        mean=mean,
        change=change,
        expanded_uncertainty=expanded,
        hours=(base[-1].at_s - base[0].at_s) / _S_PER_H,
        verdict=verdict,
        spread=spread,
        allowance=None if matters is None else abs(mean) * matters / 100.0,
    )


def _change(
    quantity: Quantity,
    first: Observation,
    last: Observation,
    spread: UsedSpread | None,
) -> tuple[float, float, DriftVerdict]:
    """Last less first by the rules of every comparison, as if they were two conditions."""
    known = Spread(spread.std_dev, spread.degrees_of_freedom) if spread else None
    compared = compare_quantity(
        quantity,
        [_as_condition(first, "first"), _as_condition(last, "last")],
        baseline="first",
        earlier=((0, known),) if known else (),
    )
    if compared is None:
        msg = f"{quantity.name}: nothing to compare the last baseline trial with"
        raise ValueError(msg)
    found = compared.differences[0]
    return found.difference, found.expanded_uncertainty, _VERDICTS[found.verdict]


def _as_condition(observation: Observation, name: str) -> Observation:
    # Two trials of one condition share all that their meter is off by.
    errors = tuple(replace(part, is_common=True) for part in observation.errors)
    return replace(observation, condition=name, errors=errors)


def _why_none(comparison: SessionComparison) -> str:
    baseline = comparison.figures.baseline
    trials = {
        o.trial
        for found in comparison.figures.observations.values()
        for o in found
        if o.condition == baseline
    }
    if not trials:
        return f"no trial of the baseline {baseline!r} was averaged, so nothing tells whether anything drifted"
    if len(trials) == 1:
        return (
            f"the baseline {baseline!r} was averaged once, so nothing tells whether anything drifted: carry it out first"
            ' and last ([order] kind = "baseline first and last")'
        )
    return f"no quantity was averaged in two trials of the baseline {baseline!r}"
