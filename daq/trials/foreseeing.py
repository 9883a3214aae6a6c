"""When a trial is likely to be averaged, told steadily: an estimate that wanders is followed slowly.

Knows no rule and no words. What the rule needs by now comes in with the time, what is foreseen goes out; whoever asks keeps
it for the next time, and lets it go once something happened that makes it void.
"""

import math
from dataclasses import dataclass

_FOLLOWS_S = 20.0
"""Time constant of following [s]. On simulated sessions the error hardly depends on it between 10 and 45 s; from 20 s on the
figure no longer jumps upwards."""


@dataclass(frozen=True, slots=True)
class Foreseen:
    """An end that is foreseen.

    Attributes:
        at_s: As of then [s].
        end_s: Averaged, as is likely, by then [s].
    """

    at_s: float
    end_s: float

    @property
    def left_s(self) -> float:
        """From the one to the other [s]; never negative."""
        return max(self.end_s - self.at_s, 0.0)


def foreseen(left_s: float, at_s: float, *, before: Foreseen | None) -> Foreseen:
    """Follow an estimate of the time left.

    Args:
        left_s: As estimated now [s].
        at_s: Now [s].
        before: What was foreseen last; None where nothing was, or what was is void.
    """
    if before is None:
        return Foreseen(at_s, at_s + left_s)
    share = -math.expm1(-(at_s - before.at_s) / _FOLLOWS_S)
    return Foreseen(at_s, before.end_s + share * (at_s + left_s - before.end_s))
