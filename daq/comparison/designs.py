"""What a session would show before it is carried out: smallest difference, repeats needed."""

import math
from bisect import bisect_left
from collections.abc import Sequence
from functools import partial

from daq.comparison.critical import (
    WANTED_CHANCE,
    LeastReal,
    chance_to_find,
    difference_found,
    dunnett_quantile,
)

MOST_REPEATS = 100
"""Nobody carries out more of one condition [1]."""


def difference_shown(
    repeats: Sequence[int],
    *,
    baseline_repeats: int,
    std_dev: float,
    degrees_of_freedom: float,
    systematic: float = 0.0,
) -> float | None:
    r"""Smallest difference to the baseline that a session finds with WANTED_CHANCE.

    .. math:: u = s \sqrt{1/n + 1/n_0}, \quad \nu = \sum (n_i - 1)

    with the condition that is repeated least.

    Args:
        repeats: n of each condition but the baseline [1].
        baseline_repeats: n_0 [1].
        std_dev: s between trials of one condition [any unit].
        degrees_of_freedom: How well that is known now [1]; inf where it is taken as known.
        systematic: Standard uncertainty of the difference from errors that are not shared [same unit].

    Returns:
        Difference [unit of s]; None where none is ever found so often, or the session has no repeats to go by.

    Validity:
        As `chance_to_find`. A session whose own repeats have fewer than 3 degrees of freedom goes by the spread
        that is known now.

    Source:
        `chance_to_find`, inverted.
    """
    if not repeats or min(*repeats, baseline_repeats) < 1 or not std_dev > 0.0:
        return None
    nu = sum(n - 1 for n in repeats) + baseline_repeats - 1
    if nu < 3:
        nu = int(min(degrees_of_freedom, 1e6))
    chance_of = partial(
        _chance,
        repeats=tuple(repeats),
        baseline_repeats=baseline_repeats,
        std_dev=std_dev,
        known=degrees_of_freedom,
        nu=nu,
        systematic=systematic,
    )
    return difference_found(
        WANTED_CHANCE, scale=math.hypot(std_dev, systematic), chance_of=chance_of
    )


def repeats_to_show(
    difference: float,
    *,
    std_dev: float,
    degrees_of_freedom: float,
    conditions: int,
    systematic: float = 0.0,
) -> int | None:
    """How many repeats of each condition, the baseline's too, find a difference with WANTED_CHANCE.

    Args:
        difference: To be found [any unit], > 0.
        std_dev: Between trials of one condition [same unit].
        degrees_of_freedom: How well that is known [1]; inf where it is taken as known.
        conditions: Without the baseline [1], at least one.
        systematic: Standard uncertainty of the difference from errors that are not shared [same unit].

    Returns:
        Repeats [1], at least 2; None where MOST_REPEATS do not do.

    Validity:
        As `chance_to_find`.

    Source:
        `chance_to_find`, for the first number that reaches it.
    """
    least = 2
    while conditions * (least - 1) + least - 1 < 3:
        least += 1

    def is_enough(repeats: int) -> bool:
        chance = _chance(
            difference,
            repeats=(repeats,) * conditions,
            baseline_repeats=repeats,
            std_dev=std_dev,
            known=degrees_of_freedom,
            nu=(conditions + 1) * (repeats - 1),
            systematic=systematic,
        )
        return chance >= WANTED_CHANCE

    # More repeats never find less.
    numbers = range(least, MOST_REPEATS + 1)
    place = bisect_left(numbers, True, key=is_enough)  # noqa: FBT003 - the answer that is looked for
    return numbers[place] if place < len(numbers) else None


def _chance(
    difference: float,
    *,
    repeats: tuple[int, ...],
    baseline_repeats: int,
    std_dev: float,
    known: float,
    nu: int,
    systematic: float,
) -> float:
    correlations = [math.sqrt(n / (n + baseline_repeats)) for n in repeats]
    factor, exact = (dunnett_quantile(correlations, each) for each in (nu, math.inf))
    return chance_to_find(
        difference,
        std_error=std_dev * math.sqrt(1.0 / min(repeats) + 1.0 / baseline_repeats),
        degrees_of_freedom=nu,
        known_degrees_of_freedom=known,
        threshold=LeastReal(factor, 0.0, systematic, exact).of,
        systematic=systematic,
    )
