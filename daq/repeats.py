"""Repeated trials of one condition: the spread within trials apart from that between them.

Numbers in, records out; knows no channel, no plan and no store. Its rules:

- The observation is the trial's mean. Readings of several trials are never pooled:
  thousands of them say nothing of what changes from one switch-on to the next.
- Which evaluation counts depends on how many trials there are, never on a test of
  significance: a spread that was not seen in three trials is not absent.
- What is common to all trials (the meter's accuracy) does not shrink with their number.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from daq.stats import f_tail, sample_mean, sample_std_dev, student_t_quantile
from daq.uncertainty import Combined, Contribution, combine

ENOUGH_DEGREES_OF_FREEDOM = 3
"""From here on a condition's own spread is used; below, one pooled over conditions if there is one."""


@dataclass(frozen=True, slots=True)
class TrialMean:
    """One trial's mean of one channel.

    Attributes:
        mean: [any unit].
        std_uncertainty: Of it, from the scatter within the trial alone (type A) [same unit].
        degrees_of_freedom: Of that [1]; may be inf.
    """

    mean: float
    std_uncertainty: float
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviation of trial means about their condition's mean; holds what scatters within trials too."""

    std_dev: float
    degrees_of_freedom: float


class Basis(StrEnum):
    """What the uncertainty of a condition's mean was taken from."""

    OWN_SPREAD = "spread of its own trials"
    POOLED_SPREAD = "spread pooled over conditions"
    WITHIN = "scatter within the trials, more than their spread"
    NOT_REPEATED = "not repeated: scatter within one trial"


@dataclass(frozen=True, slots=True)
class VarianceComponents:
    """Spread of one condition's trials, taken apart.

    Attributes:
        std_dev_within: What the scatter within trials lets one trial's mean vary [any unit].
        std_dev_between: What varies from trial to trial beyond that [same unit]; 0 where it is hidden.
        is_hidden: The means agree better than the scatter within would let them, so that what
            varies between trials came out negative and was set to 0. It is not seen, not absent.
        f_ratio: Variance of the trial means over that from within [1]; None where nothing scatters within.
        f_probability: How often such a ratio comes about with no variation between trials [1]; None as above.
    """

    std_dev_within: float
    std_dev_between: float
    is_hidden: bool
    f_ratio: float | None
    f_probability: float | None


@dataclass(frozen=True, slots=True)
class ConditionMean:
    """Mean of one condition with its standard uncertainty (type A).

    Attributes:
        trials: [1] how many there were.
        mean: Of the trial means, each counting once [any unit].
        std_uncertainty: Of it [same unit].
        degrees_of_freedom: Of that [1]; may be inf.
        basis: What it was taken from.
        std_uncertainty_within: What the scatter within trials alone would make it [same unit].
        spread: Of this condition's trial means; None where it was not repeated.
        components: The same taken apart; None where it was not repeated.
    """

    trials: int
    mean: float
    std_uncertainty: float
    degrees_of_freedom: float
    basis: Basis
    std_uncertainty_within: float
    spread: Spread | None
    components: VarianceComponents | None


def spread_of(trials: Sequence[TrialMean]) -> Spread | None:
    r"""Spread of one condition's trial means.

    .. math:: s^2 = \frac1{n-1}\sum (m_j - \bar m)^2, \quad \nu = n - 1

    Args:
        trials: Of one condition and channel [any unit].

    Returns:
        Standard deviation [unit of the means] with its degrees of freedom [1]; None where
        there are fewer than two trials.

    Source:
        JCGM 100:2008 (GUM), 4.2.2 and H.5.2 (there the means of days).
    """
    if len(trials) < 2:
        return None
    return Spread(sample_std_dev([trial.mean for trial in trials]), len(trials) - 1)


def pool_spread(conditions: Sequence[Sequence[TrialMean]]) -> Spread | None:
    r"""Spread of trial means about their own condition's mean, pooled over conditions.

    .. math:: s_p^2 = \frac{\sum (n_i - 1) s_i^2}{\sum (n_i - 1)}, \quad \nu = \sum (n_i - 1)

    Args:
        conditions: The trials of each condition, of one channel [any unit].

    Returns:
        Standard deviation [unit of the means] with its degrees of freedom [1]; None where no
        condition was repeated.

    Validity:
        The conditions' trials spread alike, in the channel's unit. A condition that spreads
        more than the others (a hose that pulses) gets too small an uncertainty by it.

    Source:
        JCGM 100:2008 (GUM), 4.2.4 (pooled estimate of variance).

    Example:
        >>> twice = [TrialMean(1.0, 0.1, 9), TrialMean(3.0, 0.1, 9)]
        >>> pool_spread([twice, twice, twice[:1]])
        Spread(std_dev=1.4142135623730951, degrees_of_freedom=2)
    """
    spreads = [s for s in map(spread_of, conditions) if s is not None]
    if not spreads:
        return None
    degrees = sum(s.degrees_of_freedom for s in spreads)
    squares = math.fsum(s.degrees_of_freedom * s.std_dev**2 for s in spreads)
    return Spread(math.sqrt(squares / degrees), degrees)


def separate_components(trials: Sequence[TrialMean]) -> VarianceComponents | None:
    r"""Separate the spread between trials from the scatter within them.

    .. math:: u_W^2 = \frac1n \sum u_j^2, \quad s_B^2 = \max(0,\, s^2 - u_W^2), \quad
        F = s^2 / u_W^2, \quad \nu_1 = n - 1, \quad \nu_2 = \sum \nu_j

    Args:
        trials: Of one condition and channel [any unit].

    Returns:
        Components [unit of the means], F and its probability [1]; None where there are fewer
        than two trials.

    Validity:
        The means count alike however long their trials were: the expectation of s^2 is then
        the sum of both variances, also where the trials' own differ. F takes the scatter
        within to be alike in all trials and normally distributed, as the source does.

    Source:
        JCGM 100:2008 (GUM), H.5.2 (its F is K times the variance of the means over s_b^2, the
        same ratio, since u_j^2 is s_b^2/K here); W. G. Cochran, Biometrics 10 (1954) 101, for unequal
        trials (cited from memory).
    """
    spread = spread_of(trials)
    if spread is None:
        return None
    within = math.fsum(t.std_uncertainty**2 for t in trials) / len(trials)
    between = spread.std_dev**2 - within
    ratio = probability = None
    if within > 0.0:
        ratio = spread.std_dev**2 / within
        nu = math.fsum(t.degrees_of_freedom for t in trials)
        probability = f_tail(ratio, spread.degrees_of_freedom, nu)
    return VarianceComponents(
        std_dev_within=math.sqrt(within),
        std_dev_between=math.sqrt(max(between, 0.0)),
        is_hidden=between < 0.0,
        f_ratio=ratio,
        f_probability=probability,
    )


def average_trials(
    trials: Sequence[TrialMean], *, pooled: Spread | None = None
) -> ConditionMean:
    r"""Mean of one condition from its trials' means, and its standard uncertainty (type A).

    .. math:: \bar m = \frac1n \sum m_j, \quad
        u = \max_{t u}\left(\frac{s}{\sqrt n},\; \frac1n \sqrt{\sum u_j^2}\right)

    Args:
        trials: Of one condition and channel [any unit], at least one.
        pooled: Spread over conditions [same unit]; takes the place of s where that has fewer
            degrees of freedom than ENOUGH_DEGREES_OF_FREEDOM and than this.

    Returns:
        Mean, standard uncertainty, spread and components [unit of the means], degrees of
        freedom [1].

    Raises:
        ValueError: If there is no trial, or a figure is negative, not finite or without
            degrees of freedom.

    Validity:
        s/sqrt(n) holds both kinds of variation and is never enlarged by the scatter within
        once more. It is small by chance now and then, and 0 on a coarse meter: of the two
        evaluations the one counts whose expanded uncertainty is larger, which can only raise
        the coverage (own rule). The source goes on to pool both where F is not significant;
        that is left out: with few trials the test seldom sees a spread that matters. One
        trial without a pooled spread says nothing of what a repeat would give.

    Source:
        JCGM 100:2008 (GUM), H.5.2: variance of the means over their number; equation (G.2b)
        for the scatter within.
    """
    _check(trials)
    within = combine(
        [
            Contribution(
                std_uncertainty=t.std_uncertainty / len(trials),
                degrees_of_freedom=t.degrees_of_freedom,
            )
            for t in trials
        ]
    )
    u, nu, basis = _largest(within, _usable_spread(spread_of(trials), pooled), trials)
    return ConditionMean(
        trials=len(trials),
        mean=sample_mean([trial.mean for trial in trials]),
        std_uncertainty=u,
        degrees_of_freedom=nu,
        basis=basis,
        std_uncertainty_within=within.std_uncertainty,
        spread=spread_of(trials),
        components=separate_components(trials),
    )


def add_common(
    condition: ConditionMean,
    common: Sequence[float],
    *,
    degrees_of_freedom: float = math.inf,
) -> Combined:
    r"""Combine a condition's mean with what all its trials have in common (type B), and expand.

    .. math:: u_c^2 = u^2 + \left(\frac1n \sum u_{B,j}\right)^2, \quad
        U = \max\left(t(\nu_\mathrm{eff})\, u_c,\; t(\nu)\, u\right)

    Args:
        condition: Its mean [any unit].
        common: Standard uncertainty (type B) of each trial's mean [same unit].
        degrees_of_freedom: Of that [1]; a certificate may state some.

    Returns:
        Combined and expanded uncertainty [same unit], degrees of freedom and coverage factor [1].

    Raises:
        ValueError: If there is not one for each trial.

    Validity:
        Fully correlated from trial to trial: same meter, same range. What varies from trial to
        trial (rounding, say) is counted twice at most, never left out. Of a spread with one or
        two degrees of freedom Welch and Satterthwaite's equation makes too little: the more of
        type B is added, the smaller U gets, down to a coverage of 88 %. U is therefore never
        less than that of type A alone, the factor being raised as needed; that covers 94 %
        at least (own rule, measured in simulation: 1 to 5 degrees of freedom, rectangular type B
        of 0.1 to 3 times the spread).

    Source:
        JCGM 100:2008 (GUM), 5.2.2, note 1: where all is fully correlated, uncertainties add
        linearly; equation (G.2b).
    """
    if len(common) != condition.trials:
        msg = f"{len(common)} uncertainties of type B, expected one for each of {condition.trials} trials"
        raise ValueError(msg)
    type_a = Contribution(
        std_uncertainty=condition.std_uncertainty,
        degrees_of_freedom=condition.degrees_of_freedom,
    )
    type_b = Contribution(
        std_uncertainty=sample_mean(common), degrees_of_freedom=degrees_of_freedom
    )
    both, least = combine([type_a, type_b]), combine([type_a]).expanded_uncertainty
    if both.expanded_uncertainty >= least:
        return both
    factor = least / both.std_uncertainty
    return replace(both, coverage_factor=factor, expanded_uncertainty=least)


def _check(trials: Sequence[TrialMean]) -> None:
    if not trials:
        msg = "no trials, expected at least one"
        raise ValueError(msg)
    for trial in trials:
        finite = math.isfinite(trial.mean) and math.isfinite(trial.std_uncertainty)
        if (
            not finite
            or trial.std_uncertainty < 0.0
            or not trial.degrees_of_freedom > 0.0
        ):
            msg = f"{trial}, expected finite figures, none below 0, and degrees of freedom above 0"
            raise ValueError(msg)


def _usable_spread(
    own: Spread | None, pooled: Spread | None
) -> tuple[Spread, Basis] | None:
    """The spread to go by, chosen by how well it is known, never by its size."""
    degrees = own.degrees_of_freedom if own else 0
    if pooled and degrees < min(ENOUGH_DEGREES_OF_FREEDOM, pooled.degrees_of_freedom):
        return pooled, Basis.POOLED_SPREAD
    return (own, Basis.OWN_SPREAD) if own else None


def _largest(
    within: Combined,
    usable: tuple[Spread, Basis] | None,
    trials: Sequence[TrialMean],
) -> tuple[float, float, Basis]:
    if usable is None:
        return within.std_uncertainty, within.degrees_of_freedom, Basis.NOT_REPEATED
    spread, basis = usable
    u = spread.std_dev / math.sqrt(len(trials))
    expanded = u * student_t_quantile(0.975, spread.degrees_of_freedom)
    if within.expanded_uncertainty > expanded:
        return within.std_uncertainty, within.degrees_of_freedom, Basis.WITHIN
    return u, spread.degrees_of_freedom, basis
