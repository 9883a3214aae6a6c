"""The settling rule on one channel's record: a log of some meter, or any file with times and values.

Finds the run and the spacing of its readings by itself, and judges their bins by the same object that serves a live
session. Within a run nothing is declared by what comes later. Which run is judged does depend on later readings: a
standby load is no run of the machine once it has been seen to run.
"""

import itertools
import math
import statistics
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from daq.records import Window
from daq.settling.detection import LEAST_BINS, Detector
from daq.settling.front_end import Bin, FrontEnd
from daq.settling.parameters import STANDARD, Parameters
from daq.settling.phases import ChannelSetup, Phase
from daq.settling.rule import GroupRule
from daq.settling.verdicts import HeldBackBy

_CHANNEL = "value"
_SPACINGS = 16
"""The spacing of the readings is judged from this many."""

_IN_A_ROW = 3
"""Idle or risen; one or two readings may be spikes."""

_RISE = 5.0
"""What stays above so many times the peak of everything before is the main run; that before was a standby load."""

_LEAST_STANDBY_S = 10.0
"""What lasted less is the run-up of the machine, seen perhaps through a display that refreshes slowly."""

_LEAST_SILENCE_S = 600.0
_SILENT_SPACINGS = 40.0
"""No reading for the longer of the two ends a run: nobody knows what the machine did, or the clock was set."""

_FLICKER = 4.0
"""A few readings that do not rise above so many idle limits are an idle meter's flicker."""

_RUNGS_A_DECADE = 20
_LARGEST_TOLERANCE = 0.5
_RUNGS_BELOW = 40
"""The smallest tolerance is looked for on a ladder of so many rungs a decade (12 % apart), two decades down at most, and not below
half a step of the display, which is the least tolerance of all."""


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
        smallest_tolerance: A relative tolerance that passes [1], where one 12 % smaller was tried and fails, or which is
            half a step of the display or the least that is looked for; None where none passes.
        drifts_to_end: Whether what is not settled still drifts one way in its last readings: a tolerance that passes
            is then no more than a moment of that drift.
        unsettled_window: The last stretch of a record that is not settled [s]; None where it is too short.
        unsettled_mean: Its mean [unit of the record].
        unsettled_uncertainty: For 95 %, with the drift, without the instrument's own accuracy [same].
        standby_s: Since when there was a standby load before the run [s]; None where there was none.
        switched_off_s: When the run ended, with readings idle again; what follows is not judged [s].
        silence: No readings for so long that the run ended there; what follows is not judged [s].
        spacing_s: Of the run's first readings [s]; None where there is no run.
        longest_spacing_s: With more than this the rule can judge nothing [s]; None where they are not too far apart.
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
    drifts_to_end: bool = False
    unsettled_window: Window | None = None
    unsettled_mean: float | None = None
    unsettled_uncertainty: float | None = None
    standby_s: float | None = None
    switched_off_s: float | None = None
    silence: Window | None = None
    spacing_s: float | None = None
    longest_spacing_s: float | None = None


@dataclass(slots=True)
class _Run:
    """Where the machine runs, as positions in the record.

    Attributes:
        start: First reading.
        spacing_s: Median of the first ones [s]; 1 where there are too few to tell.
        peak_before: Of everything before it [unit of the record].
        standby: First reading of the standby load before it.
        end: First reading that is no longer of it.
        is_silenced: Whether it ended because no readings came.
        busy: [1] readings that are not idle.
    """

    start: int
    spacing_s: float
    peak_before: float
    standby: int | None = None
    end: int | None = None
    is_silenced: bool = False
    busy: int = 0


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
        values: Finite, none beyond 1e30 in size [one unit]. Shape (n,).
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
    run = _RunFinder(readings, resolution).find()
    if run is None:
        return RecordVerdict(settled=False, why_not=HeldBackBy.NO_LOAD)
    binned = _binned(readings[run.start : run.end], run.spacing_s, resolution)
    longest_s = max(parameters.windows_s)
    if round(longest_s / binned.bin_s) < LEAST_BINS:
        far_apart = RecordVerdict(
            settled=False,
            started_s=binned.start_s,
            why_not=HeldBackBy.TOO_SHORT,
            longest_spacing_s=longest_s / LEAST_BINS / 2.0,
        )
        return _with_run(far_apart, readings, run)
    verdict = _judge(binned, tolerance, resolution, parameters)
    if find_smallest:
        smallest = _smallest_tolerance(
            binned, tolerance, resolution, parameters, verdict
        )
        verdict = replace(verdict, smallest_tolerance=smallest)
    return _with_run(verdict, readings, run)


def _with_run(
    verdict: RecordVerdict, readings: Sequence[tuple[float, float]], run: _Run
) -> RecordVerdict:
    """The verdict with what was found out about the run."""
    off_s, silence = None, None
    if run.end is not None and run.is_silenced:
        silence = Window(readings[run.end - 1][0], readings[run.end][0])
    elif run.end is not None:
        off_s = readings[run.end][0]
    return replace(
        verdict,
        standby_s=None if run.standby is None else readings[run.standby][0],
        switched_off_s=off_s,
        silence=silence,
        spacing_s=run.spacing_s,
    )


def _binned(
    readings: Sequence[tuple[float, float]], spacing_s: float, resolution: float
) -> _Binned:
    """Bins of a run."""
    bin_s = max(2.0, 2.0 * spacing_s)
    start_s = readings[0][0]
    front_end = FrontEnd(resolution=resolution, start_s=start_s, bin_s=bin_s)
    bins: list[Bin] = []
    for at_s, value in readings:
        front_end.feed(at_s, value)
        while front_end.last_index > len(bins):
            bins.append(front_end.close_bin())
    return _Binned(start_s, bin_s, spacing_s, bins)


class _RunFinder:
    """Goes through a record in order of time and finds the run that is to be judged.

    A run begins with a reading that is not idle: above five steps, and above 5 % of all before it. It ends with
    several in a row that are idle again, or in a long silence. The first run is the one, unless what follows rises
    far above everything before.
    """

    def __init__(
        self, readings: Sequence[tuple[float, float]], resolution: float
    ) -> None:
        self._readings = readings
        self._resolution = resolution
        self._run: _Run | None = None
        self._peak = self._peak_before = 0.0
        self._idle = 0
        self._risen = 0
        self._has_flickered = False

    def find(self) -> _Run | None:
        """The run; None where there is no load."""
        for position, (_, value) in enumerate(self._readings):
            self._take(position, abs(value))
        run = self._run
        if run is None or run.end is not None or not self._has_flickered:
            return run
        return None if self._is_flicker(run, len(self._readings)) else run

    def _take(self, position: int, value: float) -> None:
        if self._has_risen(position, value):
            self._begin_anew(position + 1 - _IN_A_ROW)
            return
        if self._run is not None and self._run.end is None:
            self._go_on(self._run, position, value)
        if self._run is None and value > self._idle_limit():
            self._begin(position)

    def _has_risen(self, position: int, value: float) -> bool:
        """Whether this reading is the last of several in a row far above everything before."""
        run = self._run
        if run is not None and self._is_silent(run, position):
            self._risen = 0
        is_above = run is not None and value > _RISE * self._peak
        if run is None or not is_above or self._is_run_up(run, position - self._risen):
            self._risen = 0
            self._peak_before, self._peak = self._peak, max(self._peak, value)
            return False
        # A peak only once it has lasted.
        self._risen += 1
        return self._risen == _IN_A_ROW

    def _is_run_up(self, run: _Run, position: int) -> bool:
        since_s = self._readings[position][0] - self._readings[run.start][0]
        return position - run.start < _IN_A_ROW or since_s < _LEAST_STANDBY_S

    def _begin_anew(self, position: int) -> None:
        before = self._run
        self._begin(position)
        if self._run is not None and before is not None:
            is_first = before.standby is None
            self._run.standby = before.start if is_first else before.standby
            self._run.busy = _IN_A_ROW
        last = self._readings[position : position + _IN_A_ROW]
        self._peak = max(abs(value) for _, value in last)

    def _begin(self, position: int) -> None:
        first = self._readings[position : position + _SPACINGS + 1]
        # The first readings tell how often they come: a choice made before the first bin is judged.
        spacings = [b - a for (a, _), (b, _) in itertools.pairwise(first)]
        spacing_s = statistics.median(spacings) if spacings else 1.0
        self._run = _Run(position, spacing_s, self._peak_before, busy=1)
        self._idle = self._risen = 0

    def _go_on(self, run: _Run, position: int, value: float) -> None:
        if self._is_silent(run, position):
            run.is_silenced = True
            self._end(run, position)
            return
        is_idle = value <= self._idle_limit()
        run.busy += not is_idle
        self._idle = self._idle + 1 if is_idle else 0
        if self._idle == _IN_A_ROW:
            self._end(run, position + 1 - _IN_A_ROW)

    def _is_silent(self, run: _Run, position: int) -> bool:
        silence_s = self._readings[position][0] - self._readings[position - 1][0]
        return silence_s > max(_LEAST_SILENCE_S, _SILENT_SPACINGS * run.spacing_s)

    def _end(self, run: _Run, end: int) -> None:
        run.end = end
        if self._is_flicker(run, end):
            self._run, self._peak = None, run.peak_before
            self._has_flickered = True

    def _is_flicker(self, run: _Run, end: int) -> bool:
        """Whether it is a spike or two of an idle meter; never what a bin of was judged."""
        if end - run.start > _SPACINGS:
            return False
        return run.busy < _IN_A_ROW or self._peak <= _FLICKER * self._idle_limit()

    def _idle_limit(self) -> float:
        return max(5.0 * self._resolution, 0.05 * self._peak)


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
    verdict = _not_settled(rule, binned.start_s)
    drifts = _drifts_to_end(binned, setup, parameters)
    return replace(verdict, drifts_to_end=drifts)


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


def _drifts_to_end(
    binned: _Binned, setup: ChannelSetup, parameters: Parameters
) -> bool:
    """Whether the longest window that ends with the record, and the later half of it, show drift the same way."""
    means = [math.nan if item.mean is None else item.mean for item in binned.bins]
    while means and math.isnan(means[-1]):
        means.pop()
    detector = Detector(
        tolerances=[setup.tolerance],
        resolutions=[setup.resolution],
        bin_s=binned.bin_s,
        parameters=parameters,
    )
    if len(means) < max(2 * LEAST_BINS, detector.shortest):
        return False
    fits = detector.fit(np.array([means[-detector.longest :]]))
    usable = np.flatnonzero(fits.usable[0])
    if not usable.size:
        return False
    longest = int(usable[-1])
    half = int(np.searchsorted(fits.lengths, fits.lengths[longest] / 2.0))
    drifts = fits.amplitude[0, [half, longest]]
    is_clear = bool((np.abs(drifts) > 2.0 * fits.error[0, [half, longest]]).all())
    return is_clear and bool(drifts[0] * drifts[1] > 0.0)


def _smallest_tolerance(
    binned: _Binned,
    tolerance: float,
    resolution: float,
    parameters: Parameters,
    verdict: RecordVerdict,
) -> float | None:
    """The least of the ladder that passes, or a rung that passes above one that does not: passing is not monotone."""

    def passes(asked: float) -> bool:
        return _judge(binned, asked, resolution, parameters).settled

    def tolerance_at(rung: int) -> float:
        return float(tolerance * 10.0 ** (rung / _RUNGS_A_DECADE))

    if verdict.settled:
        floor = max(tolerance_at(-_RUNGS_BELOW), _half_step(verdict, resolution))
        if floor >= tolerance:
            return tolerance
        if passes(floor):
            return floor
        low, high = math.floor(_RUNGS_A_DECADE * math.log10(floor / tolerance)), 0
    else:
        steps = math.log10(_LARGEST_TOLERANCE / tolerance)
        low, high = 0, math.floor(_RUNGS_A_DECADE * steps)
        if high <= 0 or not passes(tolerance_at(high)):
            return None
    return tolerance_at(_least_rung(low, high, lambda r: passes(tolerance_at(r))))


def _least_rung(low: int, high: int, passes: Callable[[int], bool]) -> int:
    """By halving: a rung that passes, above one that does not; the highest passes and the lowest does not."""
    while high - low > 1:
        middle = (low + high) // 2
        if passes(middle):
            high = middle
        else:
            low = middle
    return high


def _half_step(verdict: RecordVerdict, resolution: float) -> float:
    """Half a step of the display as a share of the level [1]: no tolerance is less, whatever is asked for."""
    return resolution / 2.0 / abs(verdict.mean) if verdict.mean else 0.0
