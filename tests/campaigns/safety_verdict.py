"""Delays from a cause to its alarm, how long each may be, and whether all were measured.

An alarm that is there before its cause is no alarm about it: something else set it off, or it was left over. What is measured in one round is
fixed, so that a delay that is missing is told.
"""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tests.campaigns.safety_bench import LIMITS

POLLS = 2
INTERVAL_S = 1.0
DEAD_WITHIN_S = 5.0
HUNG_WITHIN_S = 25.0
SILENT_WITHIN_S = 5.0
REDRAWN_WITHIN_S = 1.0
"""What a terminal may take longer than the page: a whole screen is drawn, and read by this campaign."""
OWN_PACE_S = 1.0
"""Screens and broker are told of a change, and of time that is up, within half of this at any speed of the bench; the rest is for a busy computer."""
SAME_MOMENT_S = 0.05
"""A cause is seen on the page's stream, its alarm may come another way: of two that are sent at once either may be read first."""

_MEASURED: tuple[tuple[str, tuple[str, ...]], ...] = (
    *(
        (f"{channel} {side} its limit", ("page", "broker"))
        for channel, side, *_ in LIMITS
    ),
    ("time", ("page", "broker", "terminal")),
    ("a lost meter", ("page", "broker", "terminal")),
    ("killed", ("page", "broker")),
    ("hung (SIGSTOP)", ("page", "broker")),
    ("lost host", ("page", "broker")),
)
"""In each round."""


def told_within_s(speed: float) -> float:
    """How long an alarm may take [s of real time]: two polls, which at many times the speed of life are shorter than the program's own pace."""
    return max(POLLS * INTERVAL_S / speed, OWN_PACE_S)


@dataclass(frozen=True, slots=True)
class Delay:
    """One measured delay, and the longest that it may be."""

    what: str
    where: str
    delay_s: float
    at_most_s: float

    @property
    def is_late(self) -> bool:
        """Whether it is longer than it may be, or no number at all."""
        return math.isnan(self.delay_s) or self.delay_s > self.at_most_s

    @property
    def is_early(self) -> bool:
        """Whether the alarm was there before its cause."""
        return self.delay_s < -SAME_MOMENT_S

    @property
    def cells(self) -> tuple[str, ...]:
        """As the table has it."""
        verdict = "BEFORE ITS CAUSE" if self.is_early else "in time"
        return (
            *(self.what, self.where, f"{self.delay_s:.2f}", f"{self.at_most_s:.2f}"),
            "LATE" if self.is_late else verdict,
        )


def unmeasured(delays: Sequence[Delay], *, rounds: int) -> Iterator[str]:
    """What was asked for and not measured, in words; nothing where all of it was."""
    found = Counter((each.what, each.where) for each in delays)
    for what, places in _MEASURED:
        for where in places:
            if found[what, where] < rounds:
                yield f"{what}, {where}: {found[what, where]} of {rounds}"
