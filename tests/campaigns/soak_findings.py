"""What the soak test left in its store, held against what is known of every reading: readings, gaps, averages, bytes."""

import math
import sqlite3
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from daq.config.plan import Plan
from daq.records import PlannedTrial, Reading, TrialResult
from daq.trials.session import Session
from daq.trials.stages import Stage
from tests.campaigns.soak_machine import (
    A_SECOND,
    CHANNELS,
    CYCLE,
    INSTRUMENT,
    ON_S,
    Machine,
    tenth_of,
)

_SAME = 1e-9
"""Share by which two sums of the same figures may differ."""
_ALLOWED = 1.0
"""Expanded uncertainties, of both averages together, that an average with lost readings may be off."""
_BEFORE_S = 20.0
"""A trial is gone through anew from so long before it began [s]."""
_LATE_S = 1e-4
_HALF_POLL_S = 0.5 / A_SECOND
_NEXT_POLL_S = 1.9 / A_SECOND
"""A reading that comes later than this after the one before is not the next one [s]."""
_OFTEN_LATE = 2
"""Readings before a gap."""


def untold_slots(times_s: Sequence[float]) -> int:
    """Polls that passed without a reading among readings with no gap between them [1].

    A busy machine may serve a poll late by less than one interval and the next one in time: then two readings are
    almost two intervals apart, and none is lost. One that is lost sets back all that come after it. Before a gap a
    reading is often late, so what passed just before the last two is not seen.

    Args:
        times_s: When they were taken, in order [s].
    """
    set_back_s = [at_s - number / A_SECOND for number, at_s in enumerate(times_s)]
    at_last_s = min(set_back_s[-_OFTEN_LATE:], default=0.0)
    return round((at_last_s - min(set_back_s, default=0.0)) * A_SECOND)


@dataclass
class Averages:
    """How the averages compare with those of a run without faults [1].

    Attributes:
        same: No reading was lost or late from switching on to the window's end, and they are the same.
        differ: No reading was lost or late, and they are not.
        within: Readings were lost, and they differ by less than their uncertainty.
        beyond: Readings were lost, and they differ by more.
        groundless: The run without faults has no such average.
        missing: No reading was lost or late, the trial has averages, and of this channel only the run without faults has one.
        refused: The trial has no averages.
        refused_whole: Nor was a reading lost, and the run without faults has some.
        worst: Largest difference with lost readings, in expanded uncertainties.
    """

    same: int = 0
    differ: int = 0
    within: int = 0
    beyond: int = 0
    groundless: int = 0
    missing: int = 0
    refused: int = 0
    refused_whole: int = 0
    worst: float = 0.0


@dataclass
class Findings:
    """All of it.

    Attributes:
        readings, false: In the store, and those of them that differ from what the meter had to show [1].
        gaps: By reason [1].
        tenths: Of a second from the first reading to the last [1].
        unaccounted: Polls without a reading that no gap tells of [1].
        bytes_a_value: Of the whole file, without the log.
        with_reasons: Size of the file by that of the same file without gaps [1].
    """

    readings: int = 0
    false: int = 0
    gaps: Counter[str] = field(default_factory=Counter)
    tenths: int = 0
    sessions: int = 0
    trials: Counter[str] = field(default_factory=Counter)
    averages: Averages = field(default_factory=Averages)
    bytes_a_value: float = 0.0
    readings_bytes_a_value: float = 0.0
    with_reasons: float = 0.0
    unaccounted: int = 0


def look_at(path: Path, plan: Plan, machine: Machine, *, begun_s: float) -> Findings:
    """Go through a store that was closed."""
    found = Findings()
    with closing(sqlite3.connect(path)) as store:
        _look_at_readings(store, machine, begun_s, found)
        found.sessions = store.execute("SELECT count(*) FROM sessions").fetchone()[0]
        _look_at_trials(store, plan, machine, begun_s, found)
    _look_at_size(path, found)
    return found


def _readings(
    store: sqlite3.Connection, from_s: float = -math.inf, until_s: float = math.inf
) -> Iterator[Reading]:
    names = [
        name
        for (name,) in store.execute(
            "SELECT column_name FROM channels ORDER BY field_index"
        )
    ]
    columns = ", ".join(f'"{name}"' for name in names)
    rows = store.execute(
        f"SELECT at_s, flags, {columns} FROM readings_{INSTRUMENT} WHERE at_s BETWEEN ? AND ? ORDER BY seq",  # noqa: S608 - names of our own
        (from_s, until_s),
    )
    for at_s, flags, *values in rows:
        yield Reading(INSTRUMENT, at_s, tuple(values), flags)


def _tenth(reading: Reading, begun_s: float) -> int:
    count = reading.values[-1]
    return tenth_of(count if count is not None else math.nan, reading.at_s - begun_s)


def _look_at_readings(
    store: sqlite3.Connection, machine: Machine, begun_s: float, found: Findings
) -> None:
    gaps_s = [at_s for (at_s,) in store.execute("SELECT at_s FROM gaps ORDER BY at_s")]
    first = last = None
    stretch: list[float] = []
    for reading in _readings(store):
        tenth = _tenth(reading, begun_s)
        late_s = reading.at_s - begun_s - tenth / A_SECOND
        is_true = reading.values == machine.values(tenth)
        found.readings += 1
        found.false += not is_true or abs(late_s) > 2.0 * _HALF_POLL_S
        told = bisect_right(gaps_s, reading.at_s)
        if told != (bisect_right(gaps_s, stretch[-1]) if stretch else told):
            found.unaccounted += untold_slots(stretch)
            stretch.clear()
        stretch.append(reading.at_s)
        first = tenth if first is None else first
        last = tenth
    found.unaccounted += untold_slots(stretch)
    if first is not None and last is not None:
        found.tenths = last - first + 1
    for reason, count in store.execute("SELECT reason, count(*) FROM gaps GROUP BY 1"):
        found.gaps[reason] = count


# ---- averages


def _look_at_trials(
    store: sqlite3.Connection,
    plan: Plan,
    machine: Machine,
    begun_s: float,
    found: Findings,
) -> None:
    trials = store.execute(
        "SELECT id, condition, repeat, state, started_s, window_end_s FROM trials ORDER BY id"
    ).fetchall()
    for number, condition, repeat, state, started_s, end_s in trials:
        found.trials[state] += 1
        stored = {
            name: (mean, expanded)
            for name, mean, expanded in store.execute(
                "SELECT channel, mean, expanded_uncertainty FROM averages WHERE trial_id = ? AND analysis_id = 0",
                (number,),
            )
        }
        planned = PlannedTrial(
            position=1, condition=condition, repeat=repeat, baseline=False
        )
        until_s = end_s if stored else started_s + ON_S
        times_s = {
            _tenth(reading, begun_s): reading.at_s
            for reading in _readings(store, started_s - 2.0 * _BEFORE_S, until_s + 60.0)
        }
        result = without_faults(plan, planned, machine, started_s - begun_s, times_s)
        # A switch-on that nobody read is found later than it was.
        on_s = min(started_s, result.started_s) if result else started_s
        if not stored:
            found.averages.refused += 1
            # Without averages there is no window: all counts until they would have been made.
            found.averages.refused_whole += (
                result is not None
                and bool(result.averages)
                and _is_whole(
                    store, on_s - 1.0, result.ended_s + 1.0, begun_s, late_s=math.inf
                )
            )
            continue
        is_whole = _is_whole(store, on_s - 1.0, end_s, begun_s)
        _compare(stored, result, is_whole=is_whole, found=found.averages)


def _is_whole(
    store: sqlite3.Connection,
    from_s: float,
    until_s: float,
    begun_s: float,
    *,
    late_s: float = _LATE_S,
) -> bool:
    """Whether every tenth of a second was read, the last one too, and none of them later than that."""
    found = [
        (_tenth(reading, begun_s), reading.at_s)
        for reading in _readings(store, from_s, until_s)
    ]
    if not found:
        return False
    first, first_s = found[0]
    is_to_the_end = (
        first_s - from_s < _NEXT_POLL_S and until_s - found[-1][1] < _NEXT_POLL_S
    )
    return is_to_the_end and all(
        tenth == first + number and abs(at_s - first_s - number / A_SECOND) < late_s
        for number, (tenth, at_s) in enumerate(found)
    )


def without_faults(
    plan: Plan,
    planned: PlannedTrial,
    machine: Machine,
    started_s: float,
    times_s: Mapping[int, float],
) -> TrialResult | None:
    """The trial's result had every poll been answered; None where it has none.

    Args:
        plan: Of the session.
        planned: What was measured.
        machine: What every reading would have been.
        started_s: Switch-on, since the begin [s].
        times_s: When the tenths that were read were read [s]; those that were not stand where they should.
    """
    if not times_s:
        return None
    session = Session(plan.rules, [planned])
    cycle = round(started_s * A_SECOND) // CYCLE
    first = max(round((started_s - _BEFORE_S) * A_SECOND), cycle * CYCLE)
    some = min(times_s)
    for tenth in range(first, (cycle + 1) * CYCLE + 4 * A_SECOND):
        due_s = times_s[some] + (tenth - some) / A_SECOND
        reading = Reading(INSTRUMENT, times_s.get(tenth, due_s), machine.values(tenth))
        for occurrence in session.feed(reading):
            if occurrence.result is not None:
                return occurrence.result
        if session.stage is Stage.FINISHED:
            break
    return None


def _compare(
    stored: dict[str, tuple[float, float]],
    result: TrialResult | None,
    *,
    is_whole: bool,
    found: Averages,
) -> None:
    due = {each.channel: each for each in (result.averages if result else ())}
    found.groundless += len(stored.keys() - due.keys())
    found.missing += is_whole * len(due.keys() - stored.keys())
    for name in due.keys() & stored.keys():
        average, (mean, expanded) = due[name], stored[name]
        off = abs(mean - average.mean)
        if is_whole:
            is_same = off <= _SAME * abs(average.mean)
            found.same += is_same
            found.differ += not is_same
            continue
        # The meter's own error is the same in both; what is left is the scatter of either.
        share = off / math.hypot(expanded, average.expanded_uncertainty)
        found.worst = max(found.worst, share)
        found.within += share <= _ALLOWED
        found.beyond += share > _ALLOWED


# ---- bytes


def _look_at_size(path: Path, found: Findings) -> None:
    if not found.readings:
        return
    whole = _packed(path, ())
    found.bytes_a_value = whole / (found.readings * CHANNELS)
    found.with_reasons = whole / _packed(path, ("DELETE FROM gaps",))
    with closing(sqlite3.connect(path)) as store:
        (size,) = store.execute(
            "SELECT sum(pgsize) FROM dbstat WHERE name = ?", (f"readings_{INSTRUMENT}",)
        ).fetchone()
    found.readings_bytes_a_value = size / (found.readings * CHANNELS)


def _packed(path: Path, statements: tuple[str, ...]) -> int:
    """Size of a copy without empty pages, once the statements were carried out."""
    copy = path.with_name("packed.db")
    copy.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as store:
        store.execute("VACUUM INTO ?", (str(copy),))
    with closing(sqlite3.connect(copy, isolation_level=None)) as store:
        for statement in statements:
            store.execute(statement)
        store.execute("VACUUM")
    size = copy.stat().st_size
    copy.unlink()
    return size
