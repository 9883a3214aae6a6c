"""Any two conditions against each other, by the rules by which each is held against the baseline.

Differences agree with those of the comparison: each is one condition's difference to the baseline less the other's, with
or without the baseline's drift as the plan says. All pairs are looked at together, so the factor is that of all pairs.
"""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from daq.comparison.contrasts import contrasts
from daq.comparison.critical import LeastReal, dunnett_quantile
from daq.comparison.observations import Observation
from daq.comparison.verdicts import QuantityComparison, Verdict, compare_quantity
from daq.stats import student_t_quantile
from daq.uncertainty import Contribution, combine


@dataclass(frozen=True, slots=True)
class PairDifference:
    """One condition less another.

    Attributes:
        one, other: Names.
        difference: Of `one` less `other` [unit of the quantity].
        expanded_uncertainty: 95 % for this one [same unit].
        verdict: Whether they differ, all pairs looked at together.
    """

    one: str
    other: str
    difference: float
    expanded_uncertainty: float
    verdict: Verdict

    @property
    def is_more(self) -> bool:
        """Whether `one` is really above `other`."""
        return self.verdict is Verdict.REAL and self.difference > 0.0

    @property
    def is_less(self) -> bool:
        """Whether `one` is really below `other`."""
        return self.verdict is Verdict.REAL and self.difference < 0.0

    @property
    def most(self) -> float:
        """Upper end of the interval [unit of the quantity]."""
        return self.difference + self.expanded_uncertainty

    @property
    def least(self) -> float:
        """Lower end of the interval [unit of the quantity]."""
        return self.difference - self.expanded_uncertainty


@dataclass(frozen=True, slots=True)
class Pairs:
    """Every pair of some conditions; whichever way round it is asked for."""

    found: Mapping[tuple[str, str], PairDifference] = field(default_factory=dict)

    def of(self, one: str, other: str) -> PairDifference:
        """The difference of `one` less `other`.

        Raises:
            KeyError: If the pair was not looked at.
        """
        if (one, other) in self.found:
            return self.found[one, other]
        turned = self.found[other, one]
        return replace(turned, one=one, other=other, difference=-turned.difference)


def pairwise(
    compared: QuantityComparison,
    observations: Sequence[Observation],
    conditions: Sequence[str],
) -> Pairs:
    r"""Hold every two conditions against each other.

    .. math:: d_{ij} = d_i - d_j, \quad W^2 = \max(c_\nu \, s \sqrt{a},\; t \, u_w)^2 + (c_\infty \, u_s)^2

    as `compare_quantity` has it, with c for as many independent differences as there are pairs.

    Args:
        compared: The same quantity against the baseline; its spread and its correction for drift are used.
        observations: Of it [unit of the quantity], in order of time.
        conditions: Names; those without a trial are left out. The baseline may be among them.

    Returns:
        Differences [same unit]; undecided all of them where the comparison rests on no spread.

    Validity:
        As `compare_quantity`. Sidak's factor is never too small for pairs that have a condition in common.

    Source:
        Z. Sidak, J. Amer. Statist. Assoc. 62 (1967) 626; JCGM 100:2008 (GUM), 5.2.2 for what two conditions share.
    """
    weights = _weights(compared, observations)
    names = [name for name in conditions if name in weights]
    combinations = list(itertools.combinations(names, 2))
    values = np.array([o.mean for o in observations])
    found = {}
    for one, other in combinations:
        of_pair = weights[one] - weights[other]
        expanded, least_real = _widths(
            compared, observations, of_pair, (one, other), pairs=len(combinations)
        )
        difference = float(of_pair @ values)
        verdict = Verdict.UNDECIDED
        if least_real is not None:
            is_real = abs(difference) > least_real
            verdict = Verdict.REAL if is_real else Verdict.NOT_SHOWN
        found[one, other] = PairDifference(one, other, difference, expanded, verdict)
    return Pairs(found)


def _weights(
    compared: QuantityComparison, observations: Sequence[Observation]
) -> dict[str, NDArray[np.float64]]:
    """Of each trial mean in each condition's difference to the baseline; the baseline's own is none."""
    is_corrected = any(each.is_corrected for each in compared.differences)
    found = contrasts(observations, baseline=compared.baseline, bracketing=is_corrected)
    weights = {each.condition: np.array(each.weights) for each in found}
    return {compared.baseline: np.zeros(len(observations)), **weights}


def _widths(
    compared: QuantityComparison,
    observations: Sequence[Observation],
    weights: NDArray[np.float64],
    pair: tuple[str, str],
    *,
    pairs: int,
) -> tuple[float, float | None]:
    """Expanded uncertainty of one difference, and what it has to exceed; None where no spread is known."""
    within = combine(
        [
            Contribution(abs(w) * o.std_uncertainty_within, o.degrees_of_freedom_within)
            for w, o in zip(weights.tolist(), observations, strict=True)
            if w
        ]
    )
    scatter = within.std_uncertainty * student_t_quantile(
        0.975, within.degrees_of_freedom
    )
    z = student_t_quantile(0.975, math.inf)
    systematic = _systematic(compared, observations, pair)
    if compared.spread is None:
        return math.hypot(scatter, z * systematic), None
    nu = compared.spread.degrees_of_freedom
    std_error = compared.spread.std_dev * float(np.sqrt(weights @ weights))
    single = LeastReal(student_t_quantile(0.975, nu), scatter, systematic, z)
    independent = [0.0] * pairs
    joint = replace(
        single,
        factor=dunnett_quantile(independent, nu),
        systematic_factor=dunnett_quantile(independent, math.inf),
    )
    return single.at(std_error), joint.at(std_error)


def _systematic(
    compared: QuantityComparison,
    observations: Sequence[Observation],
    pair: tuple[str, str],
) -> float:
    """What the errors that two conditions do not share make of their difference [unit of the quantity]."""
    theirs = [o for o in observations if o.condition in pair]
    found = compare_quantity(compared.quantity, theirs, baseline=pair[1])
    return found.differences[0].systematic if found else 0.0
