"""Condition means of one quantity over another, with what each point's error is made of.

Both axes are measured in the same trials. What the abscissa is off by acts through the curve's slope; a supply that
wanders between trials moves both along the curve and is no error at all.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.comparison.observations import Observation, propagate
from daq.comparison.spread import StatedSpread, usable_spread
from daq.repeats import Spread

Pair = tuple[Observation, Observation]
"""Abscissa and ordinate of one trial."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What is known of the ordinate's spread between trials besides this session's repeats.

    Attributes:
        earlier: Of earlier sessions, with their numbers [unit of the quantity].
        stated: By the plan; None where it says nothing.
        unit_per_step: What a small step of the ordinate is in the quantity's unit: 1, or its mean for a logarithm.
        level: Mean that stated percents are of [unit of the quantity].
        alike: Of this session's trials, where the pairs are only some of those that spread alike [unit of the quantity].
    """

    earlier: Sequence[tuple[int, Spread]] = ()
    stated: StatedSpread | None = None
    unit_per_step: float = 1.0
    level: float = 0.0
    alike: Spread | None = None


@dataclass(frozen=True, slots=True)
class Points:
    """One point a condition; errors are those of the ordinate, the abscissa's among them through the slope.

    Attributes:
        conditions: Names, in order of the abscissa.
        x, y: Means. Shape (n,).
        variances: From scatter and from errors that the conditions do not share. Shape (n,).
        spread_degrees: Degrees of freedom of the spread between trials in these [1]; None where it is not known.
        shared: Errors common to all conditions, by source, one standard uncertainty with their signs. Shapes (n,).
        slope: Of a straight line through the points.
    """

    conditions: tuple[str, ...]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    variances: NDArray[np.float64]
    spread_degrees: float | None
    shared: Mapping[str, NDArray[np.float64]]
    slope: float

    def without(self, condition: str) -> "Points":
        """All but one condition."""
        kept = np.array([name != condition for name in self.conditions])
        return Points(
            tuple(name for name in self.conditions if name != condition),
            self.x[kept],
            self.y[kept],
            self.variances[kept],
            self.spread_degrees,
            {source: errors[kept] for source, errors in self.shared.items()},
            self.slope,
        )


def logarithm(observation: Observation) -> Observation:
    r"""Natural logarithm of what was observed.

    .. math:: u(\ln y) = u(y) / y

    Args:
        observation: Above zero [any unit, taken as 1].

    Returns:
        Observation of the logarithm [1].

    Source:
        JCGM 100:2008 (GUM), 5.1.3.
    """
    return propagate(
        math.log(observation.mean), [(1.0 / observation.mean, observation)]
    )


def points_of(pairs: Sequence[Pair], elsewhere: Elsewhere) -> Points:
    r"""Average the trials of each condition.

    .. math:: v_c = \max\left(\frac{s^2}{n_c}, u_w^2\right) + \sum_k \left(e_{y,k} - b \, e_{x,k}\right)^2

    with s the spread of single trials about a line of the curve's slope b through their condition's mean, u_w the scatter
    within the trials, and e the errors that are taken anew for each condition. Where s is not known, u_w stands alone.

    Args:
        pairs: Of each trial [any units], at least one.
        elsewhere: What else is known of the spread [unit of the quantity].

    Returns:
        Points, those of the smallest abscissa first.

    Validity:
        Trials of all conditions spread alike. The slope is that of a straight line through all points.

    Source:
        JCGM 100:2008 (GUM), 4.2.4 and 5.1.2; errors of the abscissa by the effective variance, J. Orear, Am. J. Phys. 50
        (1982) 912 (cited from memory).
    """
    groups: dict[str, list[Pair]] = {}
    for pair in sorted(pairs, key=lambda each: each[0].mean):
        groups.setdefault(pair[0].condition, []).append(pair)
    means = {
        name: (_mean([x for x, _ in group]), _mean([y for _, y in group]))
        for name, group in groups.items()
    }
    conditions = tuple(sorted(groups, key=lambda name: means[name]))
    x, y = (np.array([means[name][axis] for name in conditions]) for axis in (0, 1))
    slope = _slope(x, y)
    spread = _spread(groups, slope, elsewhere)
    own, shared = _errors([groups[name] for name in conditions], slope)
    within = np.array([_within(groups[name], slope) for name in conditions])
    counts = np.array([len(groups[name]) for name in conditions])
    scatter = np.maximum(spread.std_dev**2 / counts, within) if spread else within
    return Points(
        conditions,
        x,
        y,
        scatter + own,
        spread.degrees_of_freedom if spread else None,
        shared,
        slope,
    )


def _mean(observations: Sequence[Observation]) -> float:
    return math.fsum(o.mean for o in observations) / len(observations)


def _slope(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    apart = x - x.mean()
    squares = float(apart @ apart)
    return float(apart @ y) / squares if squares > 0.0 else 0.0


def _spread(
    groups: Mapping[str, Sequence[Pair]], slope: float, elsewhere: Elsewhere
) -> Spread | None:
    """Standard deviation of a single trial about the curve, where it is known well enough."""
    squares, degrees = 0.0, 0
    for group in groups.values():
        levels = [y.mean - slope * x.mean for x, y in group]
        middle = math.fsum(levels) / len(levels)
        squares += math.fsum((level - middle) ** 2 for level in levels)
        degrees += len(levels) - 1
    scale = elsewhere.unit_per_step
    own = elsewhere.alike
    if degrees and (own is None or degrees >= own.degrees_of_freedom):
        own = Spread(scale * math.sqrt(squares / degrees), degrees)
    used = usable_spread(
        own,
        earlier=elsewhere.earlier,
        stated=elsewhere.stated,
        baseline_mean=elsewhere.level,
    )
    return Spread(used.std_dev / scale, used.degrees_of_freedom) if used else None


def _within(group: Sequence[Pair], slope: float) -> float:
    squares = math.fsum(
        y.std_uncertainty_within**2 + (slope * x.std_uncertainty_within) ** 2
        for x, y in group
    )
    return squares / len(group) ** 2


def _errors(
    groups: Sequence[Sequence[Pair]], slope: float
) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]:
    """Variance of errors that are each condition's own, and the errors that all share."""
    own = np.zeros(len(groups))
    shared: dict[str, NDArray[np.float64]] = {}
    for index, group in enumerate(groups):
        sums: dict[tuple[str, bool], float] = {}
        for pair in group:
            for observation, factor in zip(pair, (-slope, 1.0), strict=True):
                for part in observation.errors:
                    key = (part.source, part.is_common)
                    share = factor * part.std_uncertainty / len(group)
                    sums[key] = sums.get(key, 0.0) + share
        for (source, is_common), error in sums.items():
            if is_common:
                shared.setdefault(source, np.zeros(len(groups)))[index] = error
            else:
                own[index] += error**2
    return own, shared
