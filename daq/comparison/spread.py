"""Which spread between trials a verdict may rest on: this session's, earlier sessions', or one that the plan states."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from daq.repeats import Spread

LEAST_DEGREES_OF_FREEDOM = 3
"""Fewer say too little of a spread to call a difference real [1]."""


class SpreadSource(StrEnum):
    """Where a spread between trials is known from."""

    SESSION = "this session's repeats"
    EARLIER = "repeats of this and of earlier sessions"
    STATED = "stated in the plan"


@dataclass(frozen=True, slots=True)
class StatedSpread:
    """What a plan says of the spread between trials.

    Attributes:
        percent: Standard deviation between trials [% of the baseline's mean].
        degrees_of_freedom: Of that [1].
        source: Where it is from, in the plan's words.
    """

    percent: float
    degrees_of_freedom: float
    source: str


@dataclass(frozen=True, slots=True)
class UsedSpread:
    """The spread that a verdict rests on.

    Attributes:
        std_dev: Between trials of one condition [unit of the quantity].
        degrees_of_freedom: [1].
        source: Where it is known from.
        detail: In words: how many repeats, which sessions, or the plan's source.
    """

    std_dev: float
    degrees_of_freedom: float
    source: SpreadSource
    detail: str


def usable_spread(
    own: Spread | None,
    *,
    earlier: Sequence[tuple[int, Spread]] = (),
    stated: StatedSpread | None = None,
    baseline_mean: float = 0.0,
) -> UsedSpread | None:
    r"""Spread between trials that is known well enough for a verdict, the nearest first.

    .. math:: s^2 = \sum \nu_i s_i^2 / \sum \nu_i

    over this session and the earlier ones, where this one's repeats alone are too few.

    Args:
        own: Of this session's repeats [unit of the quantity]; None where nothing was repeated.
        earlier: Number of the session [1] and spread [same unit], of the same machine.
        stated: By the plan [%].
        baseline_mean: What the stated percents are of [same unit].

    Returns:
        Spread with its source; None where there are fewer than LEAST_DEGREES_OF_FREEDOM in all.

    Validity:
        Trials of all conditions and sessions spread alike.

    Source:
        JCGM 100:2008 (GUM), 4.2.4 (pooled estimate of variance); the least number is DESIGN's rule of this project.
    """
    if own and own.degrees_of_freedom >= LEAST_DEGREES_OF_FREEDOM:
        detail = (
            f"{_counted(own.degrees_of_freedom)} of freedom from this session's repeats"
        )
        return UsedSpread(
            own.std_dev, own.degrees_of_freedom, SpreadSource.SESSION, detail
        )
    if pooled := _with_earlier(own, earlier):
        return pooled
    if stated and stated.degrees_of_freedom >= LEAST_DEGREES_OF_FREEDOM:
        return UsedSpread(
            abs(baseline_mean) * stated.percent / 100.0,
            stated.degrees_of_freedom,
            SpreadSource.STATED,
            f"{stated.percent:g} % with {_counted(stated.degrees_of_freedom)} of freedom, stated in the plan: {stated.source}",
        )
    return None


def _with_earlier(
    own: Spread | None, earlier: Sequence[tuple[int, Spread]]
) -> UsedSpread | None:
    spreads = [spread for _, spread in earlier]
    if not spreads:
        return None
    pooled = pooled_spread([*spreads, *([own] if own else [])])
    if pooled is None or pooled.degrees_of_freedom < LEAST_DEGREES_OF_FREEDOM:
        return None
    numbers = ", ".join(str(number) for number, _ in earlier)
    which = "session" if len(earlier) == 1 else "sessions"
    detail = f"{_counted(pooled.degrees_of_freedom)} of freedom, with {which} {numbers}"
    return UsedSpread(
        pooled.std_dev, pooled.degrees_of_freedom, SpreadSource.EARLIER, detail
    )


def pooled_spread(spreads: Iterable[Spread]) -> Spread | None:
    """Pool spreads by their degrees of freedom.

    Args:
        spreads: Of one quantity [unit of the quantity].

    Returns:
        Spread [same unit]; None where there is none.

    Source:
        JCGM 100:2008 (GUM), 4.2.4.
    """
    found = list(spreads)
    degrees = math.fsum(each.degrees_of_freedom for each in found)
    if not degrees:
        return None
    squares = math.fsum(each.degrees_of_freedom * each.std_dev**2 for each in found)
    return Spread(math.sqrt(squares / degrees), degrees)


def _counted(degrees: float) -> str:
    return f"{degrees:.3g} degree{'' if degrees == 1 else 's'}"
