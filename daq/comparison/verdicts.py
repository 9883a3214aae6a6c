"""Is a difference real? One quantity, every condition against the baseline.

The observation is the trial's mean. Rules, all decided before anything was measured:

- Real is said only where the spread between trials is known with enough degrees of freedom, and of the whole family
  of conditions not one in twenty sessions without any difference would have said it.
- Undecided is not "no difference": it says what a repeat could tell.
- Errors that two trials share count once.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial

from daq.comparison.contrasts import Contrast, contrasts, spread_without_drift
from daq.comparison.critical import (
    WANTED_CHANCE,
    LeastReal,
    chance_to_find,
    difference_found,
    dunnett_quantile,
)
from daq.comparison.observations import Observation, Quantity
from daq.comparison.spread import StatedSpread, UsedSpread, usable_spread
from daq.repeats import Spread, TrialMean, pool_spread
from daq.stats import student_t_quantile
from daq.uncertainty import Contribution, combine
from daq.units import UNITS


class Verdict(StrEnum):
    """Whether a condition differs from the baseline."""

    REAL = "real"
    NOT_SHOWN = "not shown"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Difference:
    """One condition against the baseline.

    Attributes:
        condition: Name.
        trials: Numbers of its trials in the store.
        mean: Of its trial means [unit of the quantity].
        difference: To the baseline [same unit].
        expanded_uncertainty: Of the difference, 95 % for this one [same unit].
        ratio: To the baseline's mean [1]; None where that is not clearly different from zero, and on a scale whose zero
            was agreed on (degrees).
        ratio_expanded_uncertainty: 95 % [1]; None likewise.
        verdict: Real, not shown or undecided.
        least_real: What the difference had to exceed, with all conditions looked at together [same unit]; None where
            undecided.
        detectable: Difference that a session like this one finds with WANTED_CHANCE [same unit]; None where undecided
            or where there is none of any size.
        vanishing_spread: Undecided: spread between trials at which the difference would vanish [same unit]; None
            where it has vanished already within the trials, and where decided.
        systematic: Standard uncertainty of the difference from errors that the trials do not share [same unit].
        is_corrected: Whether the baseline's drift was taken out of it.
    """

    condition: str
    trials: tuple[int, ...]
    mean: float
    difference: float
    expanded_uncertainty: float
    ratio: float | None
    ratio_expanded_uncertainty: float | None
    verdict: Verdict
    least_real: float | None
    detectable: float | None
    vanishing_spread: float | None
    systematic: float
    is_corrected: bool = False


@dataclass(frozen=True, slots=True)
class QuantityComparison:
    """All conditions against the baseline in one quantity.

    Attributes:
        quantity: What.
        baseline: Name of the condition.
        baseline_trials: Numbers of its trials in the store.
        baseline_mean: Of its trial means [unit of the quantity].
        spread: What the verdicts rest on; None where they are undecided.
        differences: As the plan says they are to be taken, one a condition.
        other_differences: The same with the correction left out, or put in, for comparison; empty where only one
            baseline trial is there.
    """

    quantity: Quantity
    baseline: str
    baseline_trials: tuple[int, ...]
    baseline_mean: float
    spread: UsedSpread | None
    differences: tuple[Difference, ...]
    other_differences: tuple[Difference, ...] = ()


def compare_quantity(
    quantity: Quantity,
    observations: Sequence[Observation],
    *,
    baseline: str,
    bracketing: bool = False,
    earlier: Sequence[tuple[int, Spread]] = (),
    stated: StatedSpread | None = None,
) -> QuantityComparison | None:
    r"""Compare every condition with the baseline.

    .. math:: W^2 = \max(c_\nu \, s \sqrt{a},\; t \, u_w)^2 + (c_\infty \, u_s)^2

    with a the variance factor of the difference, c Dunnett's ratio (Student's t for the 95 % of a single one), u_w the
    scatter within the trials with its t, and u_s what the errors that are not shared make of the difference.

    Args:
        quantity: What is compared.
        observations: In order of time [unit of the quantity].
        baseline: Name of the condition that the others are compared with.
        bracketing: Whether the plan asks for the baseline's drift to be taken out [bool]; done where at least two
            baseline trials are there.
        earlier: Spreads of earlier sessions of the same machine, with their numbers [same unit].
        stated: Spread by the plan [%].

    Returns:
        Comparison; None where the baseline has no trial.

    Validity:
        Trial means normally distributed with equal spread in all conditions. With the correction for drift the ratio is
        that of independent differences (Sidak's), which is never too small. W is put together so that the part known
        from few repeats keeps its own factor; Welch and Satterthwaite's equation would make it too small there.

    Source:
        C. W. Dunnett, J. Amer. Statist. Assoc. 50 (1955) 1096; Z. Sidak, J. Amer. Statist. Assoc. 62 (1967) 626; JCGM
        100:2008 (GUM), 5.2.2 for what is shared.
    """
    base = [o for o in observations if o.condition == baseline]
    if not base:
        return None
    corrected = bracketing and len(base) > 1
    compare = partial(
        _compared,
        observations,
        baseline=baseline,
        earlier=earlier,
        stated=stated,
    )
    differences, spread = compare(bracketing=corrected)
    other = compare(bracketing=not corrected)[0] if len(base) > 1 else ()
    if quantity.unit in UNITS and UNITS[quantity.unit].has_agreed_zero:
        differences, other = (
            tuple(map(_without_ratio, d)) for d in (differences, other)
        )
    return QuantityComparison(
        quantity=quantity,
        baseline=baseline,
        baseline_trials=tuple(o.trial for o in base),
        baseline_mean=_mean(base),
        spread=spread,
        differences=differences,
        other_differences=other,
    )


def _compared(
    observations: Sequence[Observation],
    *,
    baseline: str,
    bracketing: bool,
    earlier: Sequence[tuple[int, Spread]],
    stated: StatedSpread | None,
) -> tuple[tuple[Difference, ...], UsedSpread | None]:
    base = [o for o in observations if o.condition == baseline]
    own = (
        spread_without_drift(observations, baseline=baseline)
        if bracketing
        else pool_spread(_by_condition(observations))
    )
    spread = usable_spread(
        own, earlier=earlier, stated=stated, baseline_mean=_mean(base)
    )
    found = contrasts(observations, baseline=baseline, bracketing=bracketing)
    decide = (
        _undecided if spread is None else partial(_decided, spread, found, bracketing)
    )
    return tuple(
        replace(
            decide(contrast, _Figures.of(observations, contrast, baseline)),
            is_corrected=bracketing,
        )
        for contrast in found
    ), spread


@dataclass(frozen=True, slots=True)
class _Figures:
    """What a contrast's error is made of, besides the spread between trials."""

    trials: tuple[int, ...]
    mean: float
    baseline_mean: float
    within: float
    within_degrees: float
    systematic: float
    ratio_systematic: float
    baseline_systematic: float

    @classmethod
    def of(
        cls, observations: Sequence[Observation], contrast: Contrast, baseline: str
    ) -> "_Figures":
        mine = [o for o in observations if o.condition == contrast.condition]
        base = [o for o in observations if o.condition == baseline]
        within = combine(
            [
                Contribution(
                    abs(w) * o.std_uncertainty_within, o.degrees_of_freedom_within
                )
                for w, o in zip(contrast.weights, observations, strict=True)
                if w
            ]
        )
        mean, reference = _mean(mine), _mean(base)
        return cls(
            trials=tuple(o.trial for o in mine),
            mean=mean,
            baseline_mean=reference,
            within=within.std_uncertainty,
            within_degrees=within.degrees_of_freedom,
            systematic=_systematic(mine, base, 1.0, -1.0),
            ratio_systematic=(
                _systematic(mine, base, 1.0 / reference, -mean / reference**2)
                if reference
                else math.inf
            ),
            baseline_systematic=_systematic((), base, 0.0, 1.0),
        )


def _systematic(
    mine: Sequence[Observation],
    base: Sequence[Observation],
    sensitivity: float,
    base_sensitivity: float,
) -> float:
    """Standard uncertainty from systematic errors: shared ones with their signs, the others apart."""
    shared: dict[str, float] = {}
    squares = 0.0
    for group, factor in ((mine, sensitivity), (base, base_sensitivity)):
        own: dict[str, float] = {}
        for observation in group:
            for part in observation.errors:
                sums = shared if part.is_common else own
                share = factor * part.std_uncertainty / len(group)
                sums[part.source] = sums.get(part.source, 0.0) + share
        squares += math.fsum(u * u for u in own.values())
    return math.sqrt(squares + math.fsum(u * u for u in shared.values()))


def _undecided(contrast: Contrast, figures: _Figures) -> Difference:
    t = student_t_quantile(0.975, figures.within_degrees)
    z = student_t_quantile(0.975, math.inf)
    expanded = math.hypot(t * figures.within, z * figures.systematic)
    left = contrast.difference**2 - expanded**2
    vanishing = (
        math.sqrt(left) / (z * math.sqrt(contrast.variance_factor))
        if left > 0.0
        else None
    )
    return _difference(
        contrast,
        figures,
        expanded=expanded,
        ratio_random=t * figures.within,
        verdict=Verdict.UNDECIDED,
        vanishing=vanishing,
    )


def _decided(
    spread: UsedSpread,
    family: Sequence[Contrast],
    bracketing: bool,  # noqa: FBT001 - bound by partial, never written at a call
    contrast: Contrast,
    figures: _Figures,
) -> Difference:
    nu = spread.degrees_of_freedom
    t = student_t_quantile(0.975, nu)
    std_error = spread.std_dev * math.sqrt(contrast.variance_factor)
    within = student_t_quantile(0.975, figures.within_degrees) * figures.within
    z = student_t_quantile(0.975, math.inf)
    single = LeastReal(t, within, figures.systematic, z)
    correlations = [
        0.0 if bracketing else math.sqrt(each.baseline_share) for each in family
    ]
    joint = replace(
        single,
        factor=dunnett_quantile(correlations, nu),
        systematic_factor=dunnett_quantile(correlations, math.inf),
    )
    chance_of: Callable[[float], float] = partial(
        chance_to_find,
        std_error=std_error,
        degrees_of_freedom=nu,
        threshold=joint.of,
        systematic=figures.systematic,
    )
    least_real = joint.at(std_error)
    return _difference(
        contrast,
        figures,
        expanded=single.at(std_error),
        ratio_random=max(t * std_error, within),
        verdict=(
            Verdict.REAL if abs(contrast.difference) > least_real else Verdict.NOT_SHOWN
        ),
        least_real=least_real,
        detectable=(
            difference_found(WANTED_CHANCE, scale=least_real, chance_of=chance_of)
            if least_real > 0.0
            else None
        ),
    )


def _difference(
    contrast: Contrast,
    figures: _Figures,
    *,
    expanded: float,
    ratio_random: float,
    verdict: Verdict,
    least_real: float | None = None,
    detectable: float | None = None,
    vanishing: float | None = None,
) -> Difference:
    reference = figures.baseline_mean
    # A ratio to what may be zero has no meaning: the baseline must be well clear of its errors.
    doubt = math.hypot(ratio_random, figures.baseline_systematic)
    has_ratio = abs(reference) > 3.0 * doubt and math.isfinite(figures.ratio_systematic)
    ratio = 1.0 + contrast.difference / reference if has_ratio else None
    ratio_u = None
    if ratio is not None:
        share = contrast.baseline_share
        random = ratio_random / abs(reference)
        random *= math.sqrt(1.0 - share + share * ratio**2)
        z = student_t_quantile(0.975, math.inf)
        ratio_u = math.hypot(random, z * figures.ratio_systematic)
    return Difference(
        condition=contrast.condition,
        trials=figures.trials,
        mean=figures.mean,
        difference=contrast.difference,
        expanded_uncertainty=expanded,
        ratio=ratio,
        ratio_expanded_uncertainty=ratio_u,
        verdict=verdict,
        least_real=least_real,
        detectable=detectable,
        vanishing_spread=vanishing,
        systematic=figures.systematic,
    )


def _without_ratio(difference: Difference) -> Difference:
    return replace(difference, ratio=None, ratio_expanded_uncertainty=None)


def _by_condition(observations: Sequence[Observation]) -> list[list[TrialMean]]:
    groups: dict[str, list[TrialMean]] = {}
    for o in observations:
        groups.setdefault(o.condition, []).append(
            TrialMean(o.mean, o.std_uncertainty_within, o.degrees_of_freedom_within)
        )
    return list(groups.values())


def _mean(observations: Sequence[Observation]) -> float:
    return math.fsum(o.mean for o in observations) / len(observations)
