"""Whether a run of the soak test was a sound one: that something was measured, that it is true, and that nothing grows.

A run of so few hours that memory and bytes cannot be judged passes by the rest, which is said; one that was ended before its hours were over, and
before they could be judged, is broken off and does not pass.
"""

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median_low

from tests.campaigns.soak_faults import Fault
from tests.campaigns.soak_findings import Findings
from tests.campaigns.soak_machine import A_SECOND

SETTLED_H = 2.0
"""Memory must be flat from then on: of a day the first hours may fill caches."""
SETTLED_AT_LIFE_SPEED_H = 0.3
"""The same of an hour that takes an hour. In the first simulated hour memory rose by 8 % after 0.1 h, by 3 % after 0.3 h."""
LEAST_READ = 0.7
"""Readings by the polls that were due. A fault a minute took 1 to 4 %; one in five may fall into a few minutes with the longest faults."""
LEAST_MADE = 0.5
"""Faults by those that were due. They come at odd moments, and the last may not have come yet."""
LEAST_GAPS = 0.5
"""Gaps by faults of the meter and its line: of some every reply is still good, others cost many."""
OF_THE_LINE = frozenset(Fault) - {
    Fault.BROKER_AWAY,
    Fault.BROKER_STUCK,
    Fault.DISK_BUSY,
    Fault.VIEWER,
}
SEEN_AS = {Fault.BROKER_AWAY: "broker away", Fault.DISK_BUSY: "store in trouble"}
"""What the service says of them, as it is counted."""
MOST_MEMORY = 1.05
MOST_WITH_REASONS = 1.2
MOST_BYTES_A_VALUE = 12.0


@dataclass
class Look:
    """What the service takes of the machine at a moment [MB, 1, MB]."""

    hour: float
    memory_mb: float
    descriptors: int
    store_mb: float


def growth(looks: Sequence[Look], *, settled_h: float) -> tuple[float, int]:
    """Memory at its most by that after the first hours [1], and by how much the descriptors have grown since [1].

    Descriptors are compared by what most looks of a part show, half as long as the first hours: a fault of the moment
    opens some, or closes those of broker and meter.
    """
    after = [look for look in looks if look.hour > settled_h] or looks
    parts: dict[int, list[int]] = {}
    for look in after:
        # A look at the full hour belongs to what has passed.
        number = math.ceil(2.0 * look.hour / settled_h - 1e-9)
        parts.setdefault(number, []).append(look.descriptors)
    memory = max(look.memory_mb for look in after) / after[0].memory_mb
    first, last = (median_low(parts[number]) for number in (min(parts), max(parts)))
    return memory, last - first


def broken_off(looks: Sequence[Look], *, asked_h: float, settled_h: float) -> str:
    """Why a run that was ended early is no result; empty where all could be judged that was asked for."""
    hour = looks[-1].hour if looks else 0.0
    if hour >= asked_h - 1e-9 or hour > settled_h:
        return ""
    return f"broken off after {hour:.2f} of {asked_h:g} h; memory and bytes are judged after {settled_h:g} h"


def unmade(
    made: Mapping[Fault, int],
    found: Findings,
    sentences: Mapping[str, int],
    *,
    due: int,
) -> Iterator[str]:
    """Faults that were not made, or that nobody noticed, in words.

    Args:
        made: How often each was [1].
        found: What is left in the store.
        sentences: How often the service said what [1].
        due: Faults that were [1].
    """
    counts = Counter(made)
    if counts.total() < LEAST_MADE * due:
        yield f"{counts.total()} faults of {due} that were due"
    never = [fault for fault in Fault if due >= 2 * len(Fault) and not counts[fault]]
    yield from (f"never made: {fault}" for fault in never)
    on_line = sum(counts[fault] for fault in OF_THE_LINE)
    if found.gaps.total() < LEAST_GAPS * on_line:
        yield f"{found.gaps.total()} gaps of {on_line} faults of the meter and its line"
    for fault, words in SEEN_AS.items():
        # The last one may be cut off by the end.
        if counts[fault] > 1 and not sentences.get(words):
            yield f"nothing was said of: {fault}"


def due(looks: Sequence[Look]) -> int:
    """Polls that were due [1]."""
    return round(looks[-1].hour * 3600.0 * A_SECOND) if looks else 0


def wrongs(
    found: Findings, looks: Sequence[Look], *, settled_h: float
) -> Iterator[str]:
    """What is wrong with a run, in words; nothing with a sound one."""
    yield from _not_measured(found, due(looks))
    yield from _untrue(found)
    if not looks:
        return
    memory, descriptors = growth(looks, settled_h=settled_h)
    if descriptors > 0:
        yield f"{descriptors} descriptors more than before"
    # A file has its fixed parts, and a program has to come to rest: shorter runs are not judged by that.
    if looks[-1].hour <= settled_h:
        return
    if memory > MOST_MEMORY:
        yield f"memory grew {memory:.2f} times"
    if found.with_reasons > MOST_WITH_REASONS:
        yield f"gaps make the store {found.with_reasons:.2f} times as large"
    if found.bytes_a_value > MOST_BYTES_A_VALUE:
        yield f"a value takes {found.bytes_a_value:.1f} bytes"


def _not_measured(found: Findings, polls: int) -> Iterator[str]:
    """A run in which nothing came of the polls finds nothing false either."""
    if polls == 0 or found.readings < LEAST_READ * polls:
        yield f"{found.readings} readings of {polls} polls that were due"
    averages = found.averages
    if averages.same + averages.within == 0:
        yield "no average was held against that of a run without faults"


def _untrue(found: Findings) -> Iterator[str]:
    averages = found.averages
    counts = {
        "false readings": found.false,
        "polls without reading or gap": found.unaccounted,
        "averages that are not the same, though no reading was lost": averages.differ,
        "averages beyond their uncertainty": averages.beyond,
        "averages that a run without faults has not": averages.groundless,
        "averages that a run without faults has, though no reading was lost": averages.missing,
        "trials without averages, though no reading was lost": averages.refused_whole,
    }  # fmt: skip
    for words, count in counts.items():
        if count:
            yield f"{count} {words}"
