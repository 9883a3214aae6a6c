"""Both voltmeters on one outlet: their difference with its uncertainty, held against what their makers state.

What two meters show of one voltage differs by their errors alone. A difference beyond what both accuracies allow
means that one of them is not what its maker states, or that they were not on one outlet.
"""

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from daq.checklist.items import Item, ItemVerdict
from daq.checklist.kept import Entry
from daq.checklist.zeros import allowed_at_zero
from daq.records import Channel
from daq.stats import estimate_mean
from daq.trials.switching import StartRule
from daq.uncertainty import Contribution, combine, contributions_of_accuracy
from daq.units import UNITS
from daq.wording import shown_average, unit_symbol

LEAST_READINGS = 20
LEAST_PAIRS = 10
"""Of as many readings: meters that are read half an interval apart lose up to half of their pairs to jitter."""
_NEAR = 0.5
"""Of the slower meter's interval; readings further apart may be of two voltages."""
_HAIR = 1e-9
_DEAD_SHARE = 0.05
"""Of full scale; below it the outlet is taken for dead."""
_DEAD_V = 1.0
_OFF_BELOW_SI = {"current": 0.1, "power": 20.0, "apparent power": 20.0}
"""What a load may show with the machine off [A, W, VA]: well above the standby of a meter, a supply or an interference
filter, well below any machine that moves air. It takes about 0.1 V in a lead of 1 Ω, no more than a display's step.
"""
REASON = (
    "What a lead takes of the voltage is the difference of two meters: their own difference on one outlet would pass for"
    " a lead."
)


@dataclass(frozen=True, slots=True)
class PairDifference:
    """What two meters make of one voltage.

    Attributes:
        mean_v: Of the first meter [V].
        difference_v: Second less first [V].
        expanded_uncertainty_v: Of the difference, from scatter and display steps [V].
        allowed_v: Expanded uncertainty of a difference by all stated accuracies [V]; 0 where neither states one.
        count: Pairs of readings [1].
    """

    mean_v: float
    difference_v: float
    expanded_uncertainty_v: float
    allowed_v: float
    count: int


def paired(
    first: Sequence[tuple[float, float]], second: Sequence[tuple[float, float]]
) -> tuple[tuple[float, float], ...]:
    """Readings of both that are near in time, the nearest first; none is used twice.

    Args:
        first: Times [s] and values, oldest first.
        second: Likewise.

    Returns:
        Values of both, oldest first; none that are further apart than half the slower meter's interval.
    """
    if min(len(first), len(second)) < 2:
        return ()
    limit_s = _NEAR * max(_interval_s(first), _interval_s(second)) + _HAIR
    near = sorted(
        (abs(other_s - at_s), i, j)
        for i, (at_s, _) in enumerate(first)
        for j, (other_s, _) in enumerate(second)
        if abs(other_s - at_s) <= limit_s
    )
    partners: dict[int, int] = {}
    taken: set[int] = set()
    for _, i, j in near:
        if i not in partners and j not in taken:
            partners[i] = j
            taken.add(j)
    return tuple((first[i][1], second[j][1]) for i, j in sorted(partners.items()))


def _interval_s(readings: Sequence[tuple[float, float]]) -> float:
    return statistics.median(b[0] - a[0] for a, b in pairwise(readings))


def pair_difference(
    pairs: Sequence[tuple[float, float]], channels: tuple[Channel, Channel]
) -> PairDifference:
    """The mean difference with its uncertainty.

    Args:
        pairs: Values of both [V], at least four.
        channels: Both voltmeters.
    """
    scatter = estimate_mean([second - first for first, second in pairs])
    mean_v = sum(first for first, _ in pairs) / len(pairs)
    # A display's step is uniform over its width (GUM, F.2.2.1).
    steps = [c.accuracy.resolution / 12**0.5 for c in channels]
    found = combine(
        [
            Contribution(scatter.std_uncertainty, scatter.degrees_of_freedom),
            *map(Contribution, steps),
        ]
    )
    stated = [
        part for c in channels for part in contributions_of_accuracy(mean_v, c.accuracy)
    ]
    allowed_v = combine(stated).expanded_uncertainty if stated else 0.0
    return PairDifference(
        mean_v, scatter.mean, found.expanded_uncertainty, allowed_v, len(pairs)
    )


def judge_pair_readings(
    name: str, pairs: Sequence[tuple[float, float]], channels: tuple[Channel, Channel]
) -> Item:
    """What readings on one outlet say; to be done again where there are too few."""
    if len(pairs) < LEAST_PAIRS:
        finding = (
            f"{len(pairs)} readings of both came near enough in time, expected {LEAST_PAIRS}: see what the check says"
            " of the meters, then read again"
        )
        return Item(name, ItemVerdict.TO_DO, finding, REASON)
    return judge_pair(name, pair_difference(pairs, channels), channels)


Loads = Sequence[tuple[Channel, Sequence[float]]]
"""Channels of current and power, with what they read meanwhile."""


def judge_loads(name: str, loads: Loads, start: StartRule | None) -> Item | None:
    """Refuse a pair while something runs: what it takes of the voltage in a lead is no difference of meters.

    Args:
        name: Of the item.
        loads: What was read meanwhile.
        start: Tells when the machine is off, by one of them; None where no plan was named.

    Returns:
        None where none of them shows more than it may with the machine off.
    """
    running, _ = _running_and_standby(loads, start)
    if not running:
        return None
    finding = f"{' and '.join(running)}, so something runs: switch the machine off and read again"
    return Item(name, ItemVerdict.REFUSED, finding, REASON)


def standby_remark(loads: Loads, start: StartRule | None) -> str:
    """What loads showed that is more than their meters may at zero, and less than a machine that runs; empty for none.

    Args:
        loads: What was read meanwhile.
        start: As for `judge_loads`.
    """
    _, standby = _running_and_standby(loads, start)
    return f"{' and '.join(standby)}, taken for standby" if standby else ""


def _running_and_standby(
    loads: Loads, start: StartRule | None
) -> tuple[list[str], list[str]]:
    """What is said of the loads that are beyond each of both levels."""
    running, standby = [], []
    for channel, values in loads:
        if not values:
            continue
        mean, at_zero = statistics.mean(values), allowed_at_zero(channel.accuracy)
        words = f"{channel.name} shows {mean:.4g} {unit_symbol(channel.unit)}"
        if abs(mean) > max(at_zero, _off_below(channel, start)):
            running.append(words)
        elif abs(mean) > at_zero:
            standby.append(words)
    return running, standby


def _off_below(channel: Channel, start: StartRule | None) -> float:
    """The machine is off below it [unit of the channel]: by the plan where it says so, else by what is usual."""
    if start is not None and start.channel == channel.name:
        return start.off_below
    return _OFF_BELOW_SI[channel.quantity] / UNITS[channel.unit].factor


def judge_pair(
    name: str, pair: PairDifference, channels: tuple[Channel, Channel]
) -> Item:
    """Whether both can be of one outlet and as their makers state."""
    one, other = (c.name for c in channels)
    figures = figures_of(pair)
    shown = shown_average(pair.difference_v, pair.expanded_uncertainty_v, "V")
    finding = f"{other} less {one}: {shown} at {pair.mean_v:.4g} V, {pair.count} readings of each"

    def item(verdict: ItemVerdict, words: str) -> Item:
        return Item(name, verdict, f"{finding}; {words}", REASON, figures)

    full_scale = channels[0].accuracy.full_scale
    if abs(pair.mean_v) < (_DEAD_SHARE * full_scale or _DEAD_V):
        words = "the outlet is dead, and a difference without voltage tells nothing: put them on a live one and read again"
        return item(ItemVerdict.REFUSED, words)
    stating = _stating(pair.mean_v, channels)
    if not stating:
        words = "neither maker's accuracy is stated to hold it against"
        return item(ItemVerdict.DONE, words)
    allowed = f"± {pair.allowed_v:.2g} {unit_symbol('V')}"
    if len(stating) == 1:
        words = (
            f"only the accuracy of {stating[0]} is stated ({allowed}), so how far apart the two may be is not known:"
            " write the other's into its profile"
        )
        return item(ItemVerdict.DONE, words)
    if abs(pair.difference_v) - pair.expanded_uncertainty_v > pair.allowed_v:
        words = (
            f"their makers' accuracies allow {allowed}: see that both are on one outlet with nothing between;"
            " if they are, have them calibrated"
        )
        return item(ItemVerdict.REFUSED, words)
    return item(ItemVerdict.DONE, f"their makers' accuracies allow {allowed}")


def _stating(mean_v: float, channels: tuple[Channel, Channel]) -> list[str]:
    """Those of which an accuracy is stated, by name."""
    return [c.name for c in channels if contributions_of_accuracy(mean_v, c.accuracy)]


def figures_of(pair: PairDifference) -> dict[str, float]:
    """For programs and for the file of what is kept."""
    return {
        "mean_v": pair.mean_v,
        "difference_v": pair.difference_v,
        "expanded_uncertainty_v": pair.expanded_uncertainty_v,
        "allowed_v": pair.allowed_v,
        "count": pair.count,
    }


def pair_of_entry(entry: Entry) -> PairDifference | None:
    """The difference that was kept; None where the entry lacks a figure."""
    kept = entry.figures
    try:
        return PairDifference(
            mean_v=kept["mean_v"],
            difference_v=kept["difference_v"],
            expanded_uncertainty_v=kept["expanded_uncertainty_v"],
            allowed_v=kept["allowed_v"],
            count=int(kept["count"]),
        )
    except KeyError:
        return None
