"""The settling rule on one channel's record: a log of some meter, or any file with times and values.

Finds the switch-on and the spacing of the readings by itself, from readings up to that moment only, and judges their
bins by the same object that serves a live session.
"""

import itertools
import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from daq.records import Window
from daq.settling.detection import LEAST_BINS
from daq.settling.front_end import Bin, FrontEnd
from daq.settling.parameters import STANDARD, Parameters
from daq.settling.phases import ChannelSetup, Phase
from daq.settling.rule import GroupRule
from daq.settling.verdicts import HeldBackBy

_CHANNEL = "value"
_SPACINGS = 16
"""The spacing of the readings is judged from this many."""

_IDLE_IN_A_ROW = 3
"""One or two may be spikes."""

_RUNGS_A_DECADE = 20
_LARGEST_TOLERANCE = 0.5
_RUNGS_BELOW = 40
"""The smallest tolerance is looked for on a ladder of so many rungs a decade (12 % apart), two decades down at most."""


@dataclass(frozen=True, slots=True)
class RecordVerdict:
    """What the rule says of one record.

    Attributes:
        settled: Whether a settled window was found and confirmed.
        started_s: Switch-on, on the record's clock [s]; None where there is no load.
        declared_s: When it was declared settled, from readings up to then [s]; None where it is not.
        confirmed_s: When it was confirmed and averaging ended [s].
        window: What was averaged [s].
        mean: Settled level [unit of the record].
        plain_mean: Mean of the window, whatever drift is left in it [same].
        expanded_uncertainty: For 95 %, without the instrument's own accuracy [same].
        count: [1] readings in the window.
        effective_count: [1] independent bins worth as much.
        why_not: Why it is not settled; None where it is.
        provisional: [1] earlier declarations that were withdrawn.
        smallest_tolerance: Smallest relative tolerance that would have passed [1], to 12 %; None where none would.
        unsettled_window: The last stretch of a record that is not settled [s]; None where it is too short.
        unsettled_mean: Its mean [unit of the record].
        unsettled_uncertainty: For 95 %, with the drift, without the instrument's own accuracy [same].
    """

    settled: bool
    started_s: float | None = None
    declared_s: float | None = None
    confirmed_s: float | None = None
    window: Window | None = None
    mean: float | None = None
    plain_mean: float | None = None
    expanded_uncertainty: float | None = None
    count: int = 0
    effective_count: float = 0.0
    why_not: HeldBackBy | None = None
    provisional: int = 0
    smallest_tolerance: float | None = None
    unsettled_window: Window | None = None
    unsettled_mean: float | None = None
    unsettled_uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class _Binned:
    """A record's bins from switch-on."""

    start_s: float
    bin_s: float
    interval_s: float
    bins: Sequence[Bin]


def settle_record(
    times_s: Iterable[float],
    values: Iterable[float],
    *,
    tolerance: float,
    resolution: float,
    parameters: Parameters = STANDARD,
    find_smallest: bool = True,
) -> RecordVerdict:
    """Judge one record.

    Args:
        times_s: Of the readings, never falling [s]. Shape (n,).
        values: Finite [one unit]. Shape (n,).
        tolerance: Largest relative drift that still counts as settled [1], > 0.
        resolution: The display's step [unit of values], >= 0.
        parameters: The rule's.
        find_smallest: Whether to look for the smallest tolerance, which takes several times as long.

    Returns:
        The verdict [unit of values].

    Raises:
        ValueError: If the tolerance is not above zero, or the resolution below it.
    """
    if not 0.0 < tolerance < math.inf:
        msg = f"tolerance {tolerance}, expected more than 0"
        raise ValueError(msg)
    if not 0.0 <= resolution < math.inf:
        msg = f"resolution {resolution}, expected 0 or more"
        raise ValueError(msg)
    readings = [
        (float(at_s), float(value)) for at_s, value in zip(times_s, values, strict=True)
    ]
    binned = _binned(readings, resolution)
    if binned is None:
        return RecordVerdict(settled=False, why_not=HeldBackBy.NO_LOAD)
    if round(max(parameters.windows_s) / binned.bin_s) < LEAST_BINS:
        return RecordVerdict(
            settled=False, started_s=binned.start_s, why_not=HeldBackBy.TOO_SHORT
        )
    verdict = _judge(binned, tolerance, resolution, parameters)
    if not find_smallest:
        return verdict
    smallest = _smallest_tolerance(
        binned, tolerance, resolution, parameters, passes=verdict.settled
    )
    return replace(verdict, smallest_tolerance=smallest)


def _binned(
    readings: Sequence[tuple[float, float]], resolution: float
) -> _Binned | None:
    """Bins of what follows the switch-on; None where there is no load."""
    start = _switch_on(readings, resolution)
    if start is None:
        return None
    # The first readings tell how often they come: a choice made before the first bin is judged.
    first_s = [at_s for at_s, _ in readings[: _SPACINGS + 1]]
    spacings = [b - a for a, b in itertools.pairwise(first_s)]
    interval_s = statistics.median(spacings) if spacings else 1.0
    bin_s = max(2.0, 2.0 * interval_s)
    start_s = readings[start][0]
    front_end = FrontEnd(resolution=resolution, start_s=start_s, bin_s=bin_s)
    bins: list[Bin] = []
    for at_s, value in readings[start : _switch_off(readings, start, resolution)]:
        front_end.feed(at_s, value)
        while front_end.last_index > len(bins):
            bins.append(front_end.close_bin())
    return _Binned(start_s, bin_s, interval_s, bins)


def _switch_on(
    readings: Sequence[tuple[float, float]], resolution: float
) -> int | None:
    """Position of the first reading that is not idle: above five steps, and above 5 % of all before it."""
    peak = 0.0
    for position, (_, value) in enumerate(readings):
        peak = max(peak, abs(value))
        if abs(value) > max(5.0 * resolution, 0.05 * peak):
            return position
    return None


def _switch_off(
    readings: Sequence[tuple[float, float]], start: int, resolution: float
) -> int:
    """Position of the first of several readings in a row that are idle again; the end where there are none."""
    peak, idle = 0.0, 0
    for position in range(start, len(readings)):
        value = abs(readings[position][1])
        peak = max(peak, value)
        idle = idle + 1 if value <= max(5.0 * resolution, 0.05 * peak) else 0
        if idle == _IDLE_IN_A_ROW:
            return position + 1 - idle
    return len(readings)


def _judge(
    binned: _Binned, tolerance: float, resolution: float, parameters: Parameters
) -> RecordVerdict:
    setup = ChannelSetup(
        _CHANNEL, tolerance, resolution, binned.interval_s, required=True
    )
    rule = GroupRule(
        [setup], start_s=binned.start_s, bin_s=binned.bin_s, parameters=parameters
    )
    for item in binned.bins:
        change = rule.take({_CHANNEL: item})
        if change is not None and change.phase is Phase.CONFIRMED:
            return _settled(rule, binned.start_s, change.at_s)
    ended = rule.finish()
    if ended is not None and ended.phase is Phase.CONFIRMED:
        return _settled(rule, binned.start_s, ended.at_s)
    return _not_settled(rule, binned.start_s)


def _settled(rule: GroupRule, start_s: float, confirmed_s: float) -> RecordVerdict:
    level = rule.levels()[_CHANNEL]
    return RecordVerdict(
        settled=True,
        started_s=start_s,
        declared_s=rule.declared_s,
        confirmed_s=confirmed_s,
        window=rule.window,
        mean=level.mean,
        plain_mean=level.plain_mean,
        expanded_uncertainty=level.expanded_uncertainty,
        count=level.count,
        effective_count=level.effective_count,
        provisional=rule.withdrawn,
    )


def _not_settled(rule: GroupRule, start_s: float) -> RecordVerdict:
    reason = rule.why_not(_CHANNEL) or HeldBackBy.TOO_SHORT
    if reason is HeldBackBy.GAPS:
        # Of a record: too few readings are left of it.
        reason = HeldBackBy.TOO_SHORT
    unsettled = rule.unsettled()
    window, levels = unsettled or (None, {})
    level = levels.get(_CHANNEL)
    return RecordVerdict(
        settled=False,
        started_s=start_s,
        why_not=reason,
        provisional=rule.withdrawn,
        unsettled_window=window if level else None,
        unsettled_mean=level.mean if level else None,
        unsettled_uncertainty=level.expanded_uncertainty if level else None,
    )


def _smallest_tolerance(
    binned: _Binned,
    tolerance: float,
    resolution: float,
    parameters: Parameters,
    *,
    passes: bool,
) -> float | None:
    """The lowest rung of the ladder that passes, found by halving; the one below it does not."""

    def tolerance_at(rung: int) -> float:
        return float(tolerance * 10.0 ** (rung / _RUNGS_A_DECADE))

    highest = 0
    while tolerance_at(highest + 1) <= _LARGEST_TOLERANCE:
        highest += 1
    low, high = (-_RUNGS_BELOW, 0) if passes else (0, highest)
    if not passes and not (
        high > 0 and _judge(binned, tolerance_at(high), resolution, parameters).settled
    ):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        if _judge(binned, tolerance_at(middle), resolution, parameters).settled:
            high = middle
        else:
            low = middle
    return tolerance_at(high)
