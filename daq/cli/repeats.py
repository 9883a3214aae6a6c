"""How many repeats show a difference of a stated size, and, where none do, what stands in the way."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from daq.comparison.designs import MOST_REPEATS, difference_shown, repeats_to_show
from daq.comparison.observations import Observation
from daq.comparison.session import SessionComparison
from daq.comparison.verdicts import QuantityComparison
from daq.comparison_words import is_relative, share_of_baseline, times

_SPREADS = (("a quarter of that", 0.25), ("half of it", 0.5), ("as much", 1.0))
"""What a spread that is not known might be, as a share of the difference that is to be shown [1]."""


class Obstacle(StrEnum):
    """Why no number of repeats is named."""

    UNKNOWN = "spread not known"
    METERS = "meters"
    SPREAD = "spread"


@dataclass(frozen=True, slots=True)
class Repeats:
    """What it takes to show a difference of one quantity with 80 % power.

    Attributes:
        size: Difference to be shown [unit of the quantity].
        repeats: Of each condition [1]; None where none of up to MOST_REPEATS do, or nothing is known.
        obstacle: What stands in the way; None where nothing does.
        least: Smallest difference that MOST_REPEATS repeats show [unit of the quantity]; None where nothing is known.
    """

    size: float
    repeats: int | None
    obstacle: Obstacle | None
    least: float | None


def repeats_for(
    comparison: SessionComparison,
    compared: QuantityComparison,
    percent: float,
    *,
    conditions: int | None = None,
) -> Repeats | None:
    """Repeats of each condition that show a difference of a size.

    Args:
        comparison: Of a session.
        compared: One of its quantities.
        percent: Of the baseline [%].
        conditions: Without the baseline [1]; those of the session if absent.

    Returns:
        What it takes; None where percents of the baseline mean nothing, or there is no condition to be compared.
    """
    number = len(compared.differences) if conditions is None else conditions
    if not is_relative(compared) or not number:
        return None
    size = abs(compared.baseline_mean) * percent / 100.0
    systematic = systematic_of(comparison, compared)
    spread = compared.spread
    if spread is None or not spread.std_dev > 0.0:
        is_blind = _repeats(size, size / 4.0, math.inf, number, systematic) is None
        obstacle = Obstacle.METERS if is_blind else Obstacle.UNKNOWN
        return Repeats(size, None, obstacle, None)
    known = (spread.std_dev, spread.degrees_of_freedom, number)
    repeats = _repeats(size, *known, systematic)
    least = difference_shown(
        [MOST_REPEATS] * number,
        baseline_repeats=MOST_REPEATS,
        std_dev=spread.std_dev,
        degrees_of_freedom=spread.degrees_of_freedom,
        systematic=systematic,
    )
    if repeats is not None:
        return Repeats(size, repeats, None, least)
    is_spread = not systematic or _repeats(size, *known, 0.0) is None
    obstacle = Obstacle.SPREAD if is_spread else Obstacle.METERS
    return Repeats(size, None, obstacle, least)


def _repeats(
    size: float, std_dev: float, degrees: float, conditions: int, systematic: float
) -> int | None:
    return repeats_to_show(
        size,
        std_dev=std_dev,
        degrees_of_freedom=degrees,
        conditions=conditions,
        systematic=systematic,
    )


def systematic_of(comparison: SessionComparison, compared: QuantityComparison) -> float:
    """Standard uncertainty from errors that two conditions about the baseline's level do not share [unit of the quantity].

    What they share leaves a share of the difference itself, which is little beside it.
    """
    own = [
        math.hypot(*(e.std_uncertainty for e in o.errors if not e.is_common))
        for o in _baseline(comparison, compared)
    ]
    return math.sqrt(2.0) * max(own, default=0.0)


def repeats_sentence(
    comparison: SessionComparison, compared: QuantityComparison, percent: float
) -> str:
    """How many repeats would show a difference of a stated size, or what would help."""
    found = repeats_for(comparison, compared, percent)
    if found is None:
        return (
            f"How many repeats would show {percent:g} % cannot be said: the baseline is too near to zero, or too uncertain,"
            " for percents of it to mean anything."
        )
    size = share_of_baseline(found.size, compared)
    if found.obstacle is Obstacle.METERS:
        return f"{_meters_stand_in_the_way(comparison, compared, found, size)} {_WHAT_HELPS}"
    if found.obstacle is Obstacle.UNKNOWN:
        return _by_supposed_spreads(comparison, compared, found, size)
    if found.obstacle is Obstacle.SPREAD:
        return (
            f"A difference of {size} would not be shown 4 times in 5 by {MOST_REPEATS} repeats of each condition: its"
            " trials spread too much. What helps: find what varies from one switch-on to the next (supply, warm-up, how"
            " things are fitted)."
        )
    number = found.repeats or 0
    return f"A difference of {size} is shown 4 times in 5 where each condition is carried out {times(number)}."


_WHAT_HELPS = (
    "What helps: a profile that states gain and offset apart, since these cancel in a difference, a finer range, or a"
    " better meter."
)


def _meters_stand_in_the_way(
    comparison: SessionComparison,
    compared: QuantityComparison,
    found: Repeats,
    size: str,
) -> str:
    source = _largest_own_error(_baseline(comparison, compared))
    mostly = f" (mostly {source})" if source else ""
    least = (
        f", and {share_of_baseline(found.least, compared)} is the least that even {MOST_REPEATS} of them show"
        if found.least is not None
        else ""
    )
    return (
        f"No number of repeats shows a difference of {size}: it is not the spread between trials that hides it, but the"
        f" part of the meters' errors that two conditions do not share{mostly}. Repeats do not make that smaller{least}."
    )


def _by_supposed_spreads(
    comparison: SessionComparison,
    compared: QuantityComparison,
    found: Repeats,
    size: str,
) -> str:
    systematic = systematic_of(comparison, compared)
    conditions = len(compared.differences)
    supposed = [
        f"{times(repeats)} if by {words}"
        for words, share in _SPREADS
        if (
            repeats := _repeats(
                found.size, share * found.size, math.inf, conditions, systematic
            )
        )
    ]
    return (
        f"How many repeats show a difference of {size} depends on how much trials of one condition spread, which this"
        f" session does not tell: {', '.join(supposed)} (standard deviation)."
    )


def _baseline(
    comparison: SessionComparison, compared: QuantityComparison
) -> list[Observation]:
    observations = comparison.figures.observations[compared.quantity.name]
    return [o for o in observations if o.trial in compared.baseline_trials]


def _largest_own_error(observations: Sequence[Observation]) -> str:
    """Of what the errors are that two conditions do not share, the largest; empty where there are none."""
    parts = [e for o in observations for e in o.errors if not e.is_common]
    largest = max(parts, key=lambda e: abs(e.std_uncertainty), default=None)
    return largest.source if largest else ""


def repeats_content(
    comparison: SessionComparison, percent: float | None
) -> list[dict[str, object]]:
    """The same for programs, for every quantity of which percents mean anything."""
    if percent is None:
        return []
    return [
        {
            "quantity": compared.quantity.name,
            "percent": percent,
            "difference": found.size,
            "repeats": found.repeats,
            "obstacle": found.obstacle.value if found.obstacle else None,
            "least_difference": found.least,
        }
        for compared in comparison.comparisons
        if (found := repeats_for(comparison, compared, percent))
    ]
