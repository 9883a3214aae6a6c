"""When a channel says that the machine was switched, and between which readings that was."""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

from daq.errors import InputError
from daq.trials.switching import StartRule, Switch, SwitchDetector

_LEAST_EXPLAINED = 0.85
"""Share of the scatter that two levels must explain, for a channel to tell on from off [1]; of a ramp they explain 0.75."""
_ON_SHARE, _OFF_SHARE = 0.5, 0.3
"""Where between the two levels a machine counts as on, and as off [1]."""
_LEAST_OFF_S = 2.0


@dataclass(frozen=True, slots=True)
class Edge:
    """The machine was switched, some time between two readings.

    Attributes:
        to: On or off.
        earliest_s: Time of the last reading that did not show it yet [s].
        latest_s: Time of the first that did [s].
    """

    to: Switch
    earliest_s: float
    latest_s: float

    @property
    def middle_s(self) -> float:
        """The best guess [s]."""
        return (self.earliest_s + self.latest_s) / 2.0

    @property
    def half_width_s(self) -> float:
        """By how much the guess may be wrong [s]."""
        return (self.latest_s - self.earliest_s) / 2.0


def find_edges(
    times_s: Sequence[float], values: Sequence[float], rule: StartRule
) -> tuple[Edge, ...]:
    """Every switching that a channel shows; what it was before the first reading is not known, so that is none.

    Args:
        times_s: Of the readings, never falling [s].
        values: Of the channel.
        rule: When it means on, and when off.
    """
    detector = SwitchDetector(rule)
    before = {
        at_s: times_s[max(i - 1, 0)] for i, at_s in reversed([*enumerate(times_s)])
    }
    edges = []
    for at_s, value in zip(times_s, values, strict=True):
        is_known = detector.state is not Switch.UNKNOWN
        switched = detector.feed(at_s, value)
        if switched is not None and is_known:
            edges.append(Edge(switched.to, before[switched.at_s], switched.at_s))
    return tuple(edges)


def guess_edges(
    name: str, times_s: Sequence[float], values: Sequence[float]
) -> tuple[Edge, ...]:
    """Every switching that a channel shows by the two levels that its readings keep to.

    On is the level further from zero: a meter of suction shows none at rest, and less than that with the machine on.

    Raises:
        InputError: If there are no two levels.
    """
    low, high = _two_levels(name, values)
    if _falls_when_on(low, high):
        low, high, values = -high, -low, [-value for value in values]
    rule = StartRule(
        name,
        on_above=low + _ON_SHARE * (high - low),
        off_below=low + _OFF_SHARE * (high - low),
        least_off_s=min(_LEAST_OFF_S, times_s[-1] - times_s[0]),
    )
    return find_edges(times_s, values, rule)


def stated_edges(
    name: str,
    times_s: Sequence[float],
    values: Sequence[float],
    *,
    on_above: float,
    off_below: float | None,
) -> tuple[Edge, ...]:
    """Every switching that a channel shows by somebody's word.

    Raises:
        InputError: If what lies below is further from zero than what lies above: the channel falls with the machine on.
    """
    above = [value for value in values if value > on_above] or [math.inf]
    below = [value for value in values if value <= on_above] or [0.0]
    low, high = statistics.median(below), statistics.median(above)
    if _falls_when_on(low, high):
        msg = (
            f"{name}: falls when the machine is on, it reads about {high:g} above {on_above:g} and {low:g} below;"
            " leave --on-above out, its two levels tell, or name another --edges COLUMN"
        )
        raise InputError(msg)
    lower = on_above if off_below is None else off_below
    return find_edges(times_s, values, StartRule(name, on_above, lower, _LEAST_OFF_S))


def _falls_when_on(low: float, high: float) -> bool:
    """Of two levels the one further from zero is on; at rest most meters read about nothing."""
    return abs(low) > abs(high)


def _two_levels(name: str, values: Sequence[float]) -> tuple[float, float]:
    """The two groups that explain most of the readings' scatter."""
    ordered = sorted(values)
    sums = [0.0, *accumulate(ordered)]
    count, total = len(ordered), sums[-1]
    scatter = statistics.pvariance(ordered) * count
    best, split = max(
        (
            i
            * (count - i)
            / count
            * ((total - sums[i]) / (count - i) - sums[i] / i) ** 2,
            i,
        )
        for i in range(1, count)
    )
    if scatter <= 0.0 or best < _LEAST_EXPLAINED * scatter:
        msg = (
            f"{name}: no two levels that could be on and off, expected --edges COLUMN for one that tells,"
            " with --on-above and --off-below, or --offset SECONDS"
        )
        raise InputError(msg)
    return sums[split] / split, (total - sums[split]) / (count - split)
