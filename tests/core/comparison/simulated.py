"""Sessions with known truth: trial means that spread, scatter within trials, and meters with errors of their own."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from daq.comparison.observations import Observation, Quantity
from daq.comparison.systematic import error_parts
from daq.comparison.verdicts import QuantityComparison, compare_quantity
from daq.records import Accuracy
from daq.uncertainty import contributions_of_accuracy

POWER = Quantity("power", "Power", "power", "W", required=True)
BASELINE = "plain"
_WITHIN_DEGREES = 40


@dataclass(frozen=True, slots=True)
class Bench:
    """How a simulated session varies.

    Attributes:
        spread: Standard deviation between trials, the scatter within left out [% of the level].
        within: Standard uncertainty within a trial [% of the level].
        accuracy: Of the meter; drawn anew for each session.
        repeats: Of each condition [1].
        drift_per_trial: Even drift [% of the level].
    """

    spread: float = 0.4
    within: float = 0.1
    accuracy: Accuracy = field(default_factory=Accuracy)
    repeats: int = 3
    drift_per_trial: float = 0.0


def comparison_of(
    quantity: Quantity,
    observations: Sequence[Observation],
    *,
    baseline: str,
    **options: Any,
) -> QuantityComparison:
    """A comparison that there must be, since the baseline is."""
    found = compare_quantity(quantity, observations, baseline=baseline, **options)
    assert found is not None
    return found


def session(
    truth: Mapping[str, float], bench: Bench, random: np.random.Generator
) -> list[Observation]:
    """Carry the conditions out, one after the other, as often as the bench repeats them."""
    level = truth[BASELINE]
    common, own = _meter_errors(truth, bench.accuracy, random)
    observations = []
    for number in range(bench.repeats * len(truth)):
        condition = list(truth)[number % len(truth)]
        true = truth[condition]
        u = bench.within / 100.0 * level
        # The scatter is estimated from the trial's own readings.
        estimated = u * math.sqrt(random.chisquare(_WITHIN_DEGREES) / _WITHIN_DEGREES)
        mean = (
            true
            + random.normal(0.0, bench.spread / 100.0 * level)
            + random.normal(0.0, u)
            + bench.drift_per_trial / 100.0 * level * number
            + common(true)
            + own[condition]
        )
        observations.append(_observation(number, condition, mean, estimated, bench))
    return observations


def _observation(
    number: int, condition: str, mean: float, u: float, bench: Bench
) -> Observation:
    contributions = contributions_of_accuracy(mean, bench.accuracy)
    return Observation(
        trial=number + 1,
        condition=condition,
        at_s=300.0 * number,
        mean=mean,
        std_uncertainty_within=u,
        degrees_of_freedom_within=float(_WITHIN_DEGREES),
        errors=error_parts("power", mean, contributions, bench.accuracy),
    )


def _meter_errors(
    truth: Mapping[str, float], accuracy: Accuracy, random: np.random.Generator
) -> tuple[Callable[[float], float], dict[str, float]]:
    """What the meter adds to a level throughout, and what it adds anew under each condition."""

    def within(limit: float) -> float:
        return float(random.uniform(-limit, limit))

    percent = accuracy.percent_of_reading / 100.0
    gain = within(accuracy.gain_percent / 100.0) + within(math.sqrt(0.8) * percent)
    offset = within(accuracy.offset)
    step = accuracy.counts * accuracy.resolution
    own = {
        name: within(
            math.sqrt(max((percent * y + step) ** 2 - 0.8 * (percent * y) ** 2, 0.0))
        )
        for name, y in truth.items()
    }
    return lambda level: gain * level + offset, own
