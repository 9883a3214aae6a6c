"""What each condition's trials averaged to, whether or not there is anything to compare it with."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from daq.comparison.observations import Observation
from daq.repeats import Basis, TrialMean, add_common, average_trials, pool_spread


@dataclass(frozen=True, slots=True)
class ConditionLevel:
    """One quantity under one condition, with everything that the meters may be off by.

    Attributes:
        quantity: Name.
        condition: Name.
        trials: Numbers of its trials in the store.
        mean: Of the trial means [unit of the quantity].
        expanded_uncertainty: 95 % [same unit].
        coverage_factor: [1].
        degrees_of_freedom: [1]; may be inf.
        basis: What the scatter was taken from.
    """

    quantity: str
    condition: str
    trials: tuple[int, ...]
    mean: float
    expanded_uncertainty: float
    coverage_factor: float
    degrees_of_freedom: float
    basis: Basis


def condition_levels(
    quantity: str, observations: Sequence[Observation]
) -> tuple[ConditionLevel, ...]:
    """Average each condition's trials.

    Args:
        quantity: Name.
        observations: Of it [unit of the quantity].

    Returns:
        One a condition, as they first came.

    Validity:
        As `daq.repeats.average_trials` and `add_common`.

    Source:
        As there: JCGM 100:2008 (GUM), H.5.2 and 5.2.2.
    """
    groups: dict[str, list[Observation]] = {}
    for observation in observations:
        groups.setdefault(observation.condition, []).append(observation)
    pooled = pool_spread([_trial_means(group) for group in groups.values()])
    found = []
    for condition, group in groups.items():
        average = average_trials(_trial_means(group), pooled=pooled)
        combined = add_common(average, [o.std_uncertainty_systematic for o in group])
        found.append(
            ConditionLevel(
                quantity=quantity,
                condition=condition,
                trials=tuple(o.trial for o in group),
                mean=average.mean,
                expanded_uncertainty=combined.expanded_uncertainty,
                coverage_factor=combined.coverage_factor,
                degrees_of_freedom=combined.degrees_of_freedom,
                basis=average.basis,
            )
        )
    return tuple(found)


def _trial_means(observations: Sequence[Observation]) -> list[TrialMean]:
    return [
        TrialMean(
            o.mean,
            o.std_uncertainty_within,
            # A derived quantity whose inputs scatter not at all has none of its own.
            o.degrees_of_freedom_within if o.std_uncertainty_within else math.inf,
        )
        for o in observations
    ]
