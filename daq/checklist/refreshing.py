"""How often a meter makes a new value, as far as repeated values and the times of changes can tell.

A change is seen between two looks, so its time is known to within one look. True changes are whole refreshes apart,
and at a refresh the value need not change: two changes close together bound the refresh from above, and only changes
that are all equally far apart measure it. A value that never changes tells nothing, and that is said.
"""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from daq.checklist.items import Item, ItemVerdict
from daq.checklist.kept import Entry
from daq.records import Reading

_LEAST_CHANGES = 6
"""With less, values that change at half of the refreshes might be evenly apart by chance once in a hundred times."""
_TOLERANCE = 0.25
"""A refresh agrees with its profile within a quarter; meters' clocks and polls are not better."""
_UNTOLD = 1.5
"""Uneven changes of which the nearest are more than so many stated refreshes apart tell neither yes nor no."""
_EVERY_LOOK = 1.5
"""Changes on average nearer than so many looks are changes at every look."""
REASON = (
    "Readings taken faster than the meter refreshes are repeats that say nothing new, and slower ones waste what it"
    " measures; the settling rule takes the profile's word."
)


@dataclass(frozen=True, slots=True)
class Refresh:
    """What was seen of a meter's changes.

    Attributes:
        changes: Of the field that changed most often [1].
        stretch_s: For how long it was looked at [s].
        look_s: Usual time between looks [s].
        spacing_s: Mean time between changes [s]; 0 with less than two.
        at_most_s: No refresh can be longer: the nearest two changes, and a look [s]; inf with less than two.
        is_regular: Whether all changes can be equally far apart.
    """

    changes: int
    stretch_s: float
    look_s: float
    spacing_s: float
    at_most_s: float
    is_regular: bool


def measured_refresh(readings: Sequence[Reading]) -> Refresh | None:
    """What the changes of values tell.

    Args:
        readings: Of one instrument, polled faster than it should refresh, oldest first.

    Returns:
        None with less than two readings.
    """
    if len(readings) < 2:
        return None
    fields = range(min(len(r.values) for r in readings))
    spans = max((_changes(readings, index) for index in fields), key=len, default=[])
    # When a change came lies between the look before and the look after it.
    least = [later[0] - former[1] for former, later in pairwise(spans)]
    most = [later[1] - former[0] for former, later in pairwise(spans)]
    middles = [(before + after) / 2.0 for before, after in spans]
    return Refresh(
        changes=len(spans),
        stretch_s=readings[-1].at_s - readings[0].at_s,
        look_s=statistics.median(b.at_s - a.at_s for a, b in pairwise(readings)),
        spacing_s=(middles[-1] - middles[0]) / len(least) if least else 0.0,
        at_most_s=min(most, default=math.inf),
        is_regular=bool(least) and max(least) <= min(most),
    )


def _changes(readings: Sequence[Reading], index: int) -> list[tuple[float, float]]:
    """Times of the looks before and after each change of one field [s]."""
    return [
        (before.at_s, after.at_s)
        for before, after in pairwise(readings)
        if before.values[index] != after.values[index]
    ]


def judge_refresh(
    name: str,
    readings: Sequence[Reading],
    *,
    stated_s: float,
    is_streamed: bool,
    entry: Entry | None = None,
) -> Item:
    """What was seen against what the profile says.

    Args:
        name: Of the item.
        readings: Of the instrument, oldest first.
        stated_s: refresh_s of its profile [s].
        is_streamed: It talks by itself; then its lines are what is new.
        entry: That it was acknowledged without being told.
    """
    seen = measured_refresh(readings)
    if seen is None:
        finding = "no two readings came, so nothing can be told: see what the check says of the meter"
        return Item(name, ItemVerdict.TO_DO, finding, REASON)
    if is_streamed:
        verdict, finding = _lines(seen, stated_s)
    elif seen.changes >= _LEAST_CHANGES and (
        seen.is_regular or seen.at_most_s <= _UNTOLD * stated_s
    ):
        verdict, finding = _changing(seen, stated_s)
    else:
        verdict, finding = _steady(seen, stated_s, entry)
    figures: dict[str, float | int | str | None] = {
        "changes": seen.changes,
        "look_s": seen.look_s,
        "spacing_s": seen.spacing_s,
        "at_most_s": seen.at_most_s if math.isfinite(seen.at_most_s) else None,
        "stated_refresh_s": stated_s,
    }
    return Item(name, verdict, finding, REASON, figures)


def _lines(seen: Refresh, stated_s: float) -> tuple[ItemVerdict, str]:
    finding = f"a line every {seen.look_s:.2g} s, its profile says {stated_s:g} s"
    if _agrees(seen.look_s, stated_s):
        return ItemVerdict.DONE, finding
    return ItemVerdict.TO_DO, f"{finding}: {_rewrite(seen.look_s)}"


def _steady(
    seen: Refresh, stated_s: float, entry: Entry | None
) -> tuple[ItemVerdict, str]:
    times = "time" if seen.changes == 1 else "times"
    finding = (
        f"its values changed {seen.changes} {times} in {seen.stretch_s:.3g} s, which cannot tell"
        f" whether the profile's {stated_s:g} s are so"
    )
    if entry is not None:
        return ItemVerdict.DONE, f"{finding}; taken as stated on {entry.day}"
    return (
        ItemVerdict.TO_DO,
        f"{finding}: check while the machine runs or with --seconds, or acknowledge that the profile is right",
    )


def _changing(seen: Refresh, stated_s: float) -> tuple[ItemVerdict, str]:
    says = f"its profile says {stated_s:g} s"
    if seen.spacing_s < _EVERY_LOOK * seen.look_s:
        finding = (
            f"a new value at every look, so every {seen.look_s:.2g} s or faster, {says}"
        )
        return _held(finding, seen.look_s, stated_s, is_bound=True)
    if seen.is_regular:
        finding = f"a new value every {seen.spacing_s:.2g} s, {says}"
        is_near = abs(seen.spacing_s - stated_s) <= seen.look_s / (seen.changes - 1)
        if is_near:
            return ItemVerdict.DONE, finding
        return _held(finding, seen.spacing_s, stated_s, is_bound=False)
    finding = (
        f"new values at uneven times, the nearest at most {seen.at_most_s:.2g} s apart,"
        f" so it refreshes at least as often; {says}"
    )
    return _held(finding, seen.at_most_s, stated_s, is_bound=True)


def _held(
    finding: str, seen_s: float, stated_s: float, *, is_bound: bool
) -> tuple[ItemVerdict, str]:
    """A measured refresh must agree; a bound must only not be shorter than what is stated."""
    is_faster = seen_s < (1.0 - _TOLERANCE) * stated_s
    if _agrees(seen_s, stated_s) or (is_bound and not is_faster):
        return ItemVerdict.DONE, finding
    return ItemVerdict.TO_DO, f"{finding}: {_rewrite(seen_s)}"


def _agrees(seen_s: float, stated_s: float) -> bool:
    return abs(seen_s - stated_s) <= _TOLERANCE * stated_s


def _rewrite(seen_s: float) -> str:
    return (
        f"look into its manual, and write refresh_s = {seen_s:.2g} into its profile, or the manual's figure near that"
        " (of a profile that ships: into a copy of it beside the bench, which the bench then names)"
    )
