"""A recorded trial judged again with the channels of a log beside its own.

Their readings are put among the recorded ones by time and go through the same rule. A log whose readings are too far
apart for the rule's bins is averaged over the settled window from its readings as they came, and that is said. No drift
can be fitted to so few: what the channels that were waited for still drifted, and what is not known of that, is added.
"""

import math
import statistics
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daq.records import (
    Channel,
    Contribution,
    TrialAverage,
    TrialResult,
    TrialState,
    Window,
)
from daq.settling.level import LevelEstimate, relative_drift_allowed
from daq.stats import estimate_mean, undithered_half_step
from daq.trials.averaging import (
    OPEN_DRIFT,
    SCATTER_AND_DRIFT,
    trial_average,
    zero_from_readings,
)
from daq.trials.idle import GUARD_S, LONGEST_S, RUN_DOWN_S
from daq.trials.judging import SessionRules
from daq.trials.reanalysis import ReadBlocks, ReadingBlock, judge_again
from daq.typed import TakenBack
from daq.uncertainty import combine

_AIR_TOLERANCE, _TOLERANCE = 0.01, 0.005
"""As a plan has them that says nothing."""
_LEAST_READINGS = 4
_SETTLED = frozenset({TrialState.FINISHED, TrialState.LIMIT_BROKEN})


@dataclass(frozen=True, slots=True)
class LoggedReadings:
    """What a log says of one trial.

    Attributes:
        channel: Of the log.
        times_s: Never falling [s of the bench].
        values: [unit of the channel]. As many.
        idle: What it read with the machine off before the trial [unit of the channel].
    """

    channel: Channel
    times_s: NDArray[np.float64]
    values: NDArray[np.float64]
    idle: tuple[float, ...] = ()


def with_channels(rules: SessionRules, channels: Sequence[Channel]) -> SessionRules:
    """The rules of a session that has these channels too; no trial waits for them."""
    tolerances = {
        c.name: _AIR_TOLERANCE if c.quantity in {"airflow", "velocity"} else _TOLERANCE
        for c in channels
    }
    return replace(
        rules,
        channels=(*rules.channels, *channels),
        tolerances={**tolerances, **rules.tolerances},
    )


def idle_window(started_s: float, ended_before_s: float | None) -> Window | None:
    """When the machine was off before a trial, as a live session takes it [s]; None where that was too short."""
    end_s = started_s - GUARD_S
    start_s = end_s - LONGEST_S
    if ended_before_s is not None:
        start_s = max(start_s, ended_before_s + RUN_DOWN_S)
    return Window(start_s, end_s) if start_s < end_s else None


def judge_with_log(
    recorded: TrialResult,
    rules: SessionRules,
    blocks: ReadBlocks,
    logged: Sequence[LoggedReadings],
    *,
    idle: Mapping[str, Sequence[float]],
    even_so: bool = False,
) -> TrialResult:
    """What the rules say of a recorded trial with the log's readings in it.

    Args:
        recorded: The trial as it ended live.
        rules: With the log's channels.
        blocks: Its recorded readings.
        logged: The log's readings of it.
        idle: Recorded readings with the machine off, by channel, for those whose zero is taken off.
        even_so: Average a trial that did not settle all the same, marked as not settled.
    """
    zeros = {
        each.channel.name: each.idle for each in logged if each.channel.subtract_idle
    }
    result = judge_again(
        recorded,
        rules,
        lambda: _merged(blocks(), logged),
        idle={**idle, **zeros},
        even_so=even_so,
    )
    if result.state not in _SETTLED or not result.averages:
        return result
    window = result.averages[0].window
    there = {average.channel for average in result.averages}
    drift = _relative_drift(result.averages, rules)
    for each in logged:
        average = (
            None
            if each.channel.name in there
            else _sparse_average(each, window, relative_drift=drift)
        )
        if average is not None:
            result = _with_average(result, rules, average)
    return result


def _merged(
    blocks: Iterable[ReadingBlock], logged: Sequence[LoggedReadings]
) -> Iterator[ReadingBlock]:
    """Recorded readings in order of arrival, those of the log among them by time."""
    recorded = [*blocks]
    whole = _joined(recorded)
    if whole is None:
        names: tuple[str, ...] = ()
        which, times_s = np.array([], np.intp), np.array([], np.float64)
        values = np.array([], np.float64)
    else:
        names, which = whole.channels, whole.which
        times_s, values = whole.times_s, whole.values
    reached_s = np.maximum.accumulate(times_s) if times_s.size else times_s
    places = [
        np.searchsorted(reached_s, each.times_s, side="right").astype(np.float64)
        for each in logged
    ]
    # Between two recorded readings those of the log stand in order of time.
    keys = np.concatenate([np.arange(times_s.size) + 0.5, *places])
    every_s = np.concatenate([times_s, *(each.times_s for each in logged)])
    is_logged = np.arange(keys.size) >= times_s.size
    order = np.lexsort((np.where(is_logged, every_s, 0.0), keys))
    numbers = [
        np.full(each.times_s.size, len(names) + i, np.intp)
        for i, each in enumerate(logged)
    ]
    merged = ReadingBlock(
        (*names, *(each.channel.name for each in logged)),
        np.concatenate([which, *numbers])[order],
        every_s[order],
        np.concatenate([values, *(each.values for each in logged)])[order],
    )
    yield from _cut(merged, keys[order], recorded)


def _cut(
    merged: ReadingBlock, keys: NDArray[np.float64], recorded: Sequence[ReadingBlock]
) -> Iterator[ReadingBlock]:
    """The readings, cut where the operator took typed ones back: right behind the recorded reading before that.

    Args:
        merged: Recorded readings and those of the log.
        keys: Of each of them [1]: n + 0.5 of the recorded reading n from 0; n of those of the log that stand before it.
        recorded: The recorded readings alone, with what was taken back.
    """
    begin, counted = 0, 0
    taken: tuple[TakenBack, ...] = ()
    for block in recorded:
        if block.taken_back:
            end = int(np.searchsorted(keys, counted))
            yield _part(merged, begin, end, taken)
            begin, taken = end, block.taken_back
        counted += block.which.size
    yield _part(merged, begin, keys.size, taken)


def _part(
    block: ReadingBlock, begin: int, end: int, taken: tuple[TakenBack, ...]
) -> ReadingBlock:
    return ReadingBlock(
        block.channels,
        block.which[begin:end],
        block.times_s[begin:end],
        block.values[begin:end],
        taken,
    )


def _joined(blocks: Sequence[ReadingBlock]) -> ReadingBlock | None:
    if not blocks:
        return None
    return ReadingBlock(
        blocks[0].channels,
        np.concatenate([b.which for b in blocks]),
        np.concatenate([b.times_s for b in blocks]),
        np.concatenate([b.values for b in blocks]),
    )


def _relative_drift(averages: Sequence[TrialAverage], rules: SessionRules) -> float:
    """What the window may hold of drift in a channel of which nothing is fitted, by all that were waited for [1]."""
    resolutions = {c.name: c.accuracy.resolution for c in rules.channels}
    return max(
        (
            relative_drift_allowed(
                average.mean + average.zero_offset,
                _drift_in_mean(average),
                _std_uncertainty_of_level(average),
                tolerance=rules.tolerances[average.channel],
                resolution=resolutions[average.channel],
            )
            for average in averages
            if average.channel in rules.required
        ),
        default=0.0,
    )


def _drift_in_mean(average: TrialAverage) -> float:
    """How far drift takes the mean of the bins from the level, both normalised or neither [unit of the channel]."""
    plain, by = average.plain_mean + average.zero_offset, average.normalised
    if by is not None:
        plain *= (by.reference_v / by.mean_voltage_v) ** by.exponent
    return plain - average.mean - average.zero_offset


def _std_uncertainty_of_level(average: TrialAverage) -> float:
    parts = [
        part.std_uncertainty
        for part in average.contributions
        if part.name in {SCATTER_AND_DRIFT, OPEN_DRIFT}
    ]
    return math.hypot(*parts)


def _sparse_average(
    logged: LoggedReadings, window: Window, *, relative_drift: float
) -> TrialAverage | None:
    """Mean of the readings in the window as they came, which may hold a drift; None where there are too few."""
    inside = (logged.times_s >= window.start_s) & (logged.times_s <= window.end_s)
    values = logged.values[inside].tolist()
    if len(values) < _LEAST_READINGS:
        return None
    found = estimate_mean(values)
    channel = logged.channel
    resolution = channel.accuracy.resolution
    freedom = max(found.degrees_of_freedom, 1.0)
    half_step = undithered_half_step(statistics.stdev(values), resolution)
    open_drift = relative_drift * abs(found.mean)
    parts = (
        Contribution(found.std_uncertainty, freedom),
        Contribution(half_step / math.sqrt(3.0)),
        Contribution(open_drift),
    )
    level = LevelEstimate(
        mean=found.mean,
        plain_mean=found.mean,
        std_uncertainty=found.std_uncertainty,
        degrees_of_freedom=freedom,
        open_drift=open_drift,
        half_step=half_step,
        expanded_uncertainty=combine(parts).expanded_uncertainty,
        count=found.count,
        effective_count=found.effective_count,
    )
    zero = (
        zero_from_readings(logged.idle, resolution=resolution)
        if channel.subtract_idle
        else None
    )
    return trial_average(channel, level, window, required=False, zero=zero)


def _with_average(
    result: TrialResult, rules: SessionRules, average: TrialAverage
) -> TrialResult:
    known = {each.channel: each for each in (*result.averages, average)}
    in_order = tuple(known[c.name] for c in rules.channels if c.name in known)
    missing = f"{average.channel}: no average, readings are missing"
    told = f"{average.channel}: averaged from {average.count} readings as they came, too far apart for the rule's bins"
    notes = [told if note == missing else note for note in _notes(result.note)]
    return replace(result, averages=in_order, note="; ".join(notes))


def _notes(text: str) -> Iterator[str]:
    yield from (note for note in text.split("; ") if note)
