"""What a session with clocks in trouble left in its store, held against what the clocks and the meter had shown."""

import math
import sqlite3
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from statistics import fmean

from daq.config.plan import Plan
from daq.records import PlannedTrial, Reading, TrialResult
from daq.trials.session import Session
from tests.campaigns.missed_polls import polls_of
from tests.campaigns.soak_machine import A_SECOND, INSTRUMENT, Machine, tenth_of

STEP_US = 50_000
"""A smaller difference is no step (DEVELOPERS.md, "Time and units")."""
_SAME = 1e-9
_LATE_S = 0.2
_SEEN_WITHIN_POLLS = 2
"""UTC is looked at with every reading."""


@dataclass
class Findings:
    """All of it.

    Attributes:
        false: Readings that differ from what the meter showed at the time that they carry [1].
        disordered: Readings whose time is before that of the one before [1].
        utc_wrong: Readings whose UTC is not the computer's of that moment [1].
        utc_ahead: The same of readings that were under way when it was stepped [1].
        missing: Polls that brought no reading, as the gaps tell [1].
        unexplained: Polls that were due, less the readings and those [1].
        gaps: Told gaps by reason [1].
        offsets: Times that UTC was attached [1].
        steps_seen: Steps of UTC after which it was attached anew at once [1].
        happened: Troubles that came while a trial was measured [1].
        moved: Sessions whose UTC, or local time, did not go on as the time since the boot does [1].
        finished: Trials with averages [1].
        averages_wrong: Averages that are not those of the stored readings, or farther from the truth than they say [1].
        bridged: Trials whose settled window lies across a hole of more than ten seconds [1].
    """

    readings: int = 0
    false: int = 0
    disordered: int = 0
    utc_wrong: int = 0
    utc_ahead: int = 0
    missing: int = 0
    unexplained: int = 0
    gaps: Counter[str] = field(default_factory=Counter)
    offsets: int = 0
    steps_seen: int = 0
    happened: int = 0
    moved: int = 0
    finished: int = 0
    averages_wrong: int = 0
    bridged: int = 0

    @property
    def wrong(self) -> int:
        """Everything that must not be [1]."""
        readings = self.false + self.disordered + self.utc_wrong + self.unexplained
        return readings + self.averages_wrong + self.bridged


@dataclass(frozen=True, slots=True)
class Known:
    """What the store is held against.

    Attributes:
        begun_s: Bench time at which the meter began to count [s].
        interval_s: Planned spacing of the readings [s].
        utc_us_at: The computer's UTC at a bench time [us since 1970].
        steps_s: When it was stepped, in bench time [s].
        under_way_s: A reading so soon before that may have been told after it, with the new UTC [s].
        happened_s: When something was done to the clocks, in bench time [s].
        is_local_time_other: Whether local time was ahead of UTC by something else at the end than at the begin.
    """

    plan: Plan
    machine: Machine
    begun_s: float
    interval_s: float
    utc_us_at: Callable[[float], float]
    steps_s: list[float]
    under_way_s: float
    happened_s: list[float] = field(default_factory=list)
    is_local_time_other: bool = False


def look_at(path: Path, known: Known) -> Findings:
    """Go through a store that was closed."""
    found = Findings()
    with closing(sqlite3.connect(path)) as store:
        readings = _readings(store)
        _look_at_readings(store, readings, known, found)
        _look_at_holes(store, readings, known, found)
        _look_at_trials(store, readings, known, found)
        _look_at_clocks(store, readings, known, found)
    return found


def _readings(store: sqlite3.Connection) -> list[Reading]:
    named = store.execute("SELECT column_name FROM channels ORDER BY field_index")
    columns = ", ".join(f'"{name}"' for (name,) in named)
    rows = store.execute(
        f"SELECT at_s, flags, {columns} FROM readings_{INSTRUMENT} ORDER BY seq"  # noqa: S608 - names of our own
    )
    return [
        Reading(INSTRUMENT, at_s, tuple(values), flags) for at_s, flags, *values in rows
    ]


def _tenth(reading: Reading, begun_s: float) -> int:
    count = reading.values[-1]
    return tenth_of(count if count is not None else math.nan, reading.at_s - begun_s)


def _look_at_readings(
    store: sqlite3.Connection, readings: list[Reading], known: Known, found: Findings
) -> None:
    found.readings = len(readings)
    for reading in readings:
        tenth = _tenth(reading, known.begun_s)
        off_s = abs(reading.at_s - known.begun_s - tenth / A_SECOND)
        is_true = reading.values == known.machine.values(tenth)
        found.false += not is_true or off_s > _LATE_S
    found.disordered = sum(b.at_s < a.at_s for a, b in pairwise(readings))
    attached = store.execute(
        f"SELECT r.at_s, c.utc_us + (r.at_s - c.monotonic_s) / c.speed * 1e6 FROM readings_{INSTRUMENT} r JOIN clocks c ON c.id = r.clock_id"  # noqa: S608 - names of our own
    )
    for at_s, utc_us in attached:
        if abs(utc_us - known.utc_us_at(at_s)) > STEP_US + 1000:
            was_under_way = any(
                0.0 <= step_s - at_s <= known.under_way_s for step_s in known.steps_s
            )
            found.utc_ahead += was_under_way
            found.utc_wrong += not was_under_way


def _look_at_clocks(
    store: sqlite3.Connection, readings: list[Reading], known: Known, found: Findings
) -> None:
    offsets = store.execute("SELECT monotonic_s, utc_us FROM clocks").fetchall()
    found.offsets = len(offsets)
    found.steps_seen = sum(
        any(
            0.0 <= at_s - step_s <= _SEEN_WITHIN_POLLS * known.interval_s
            and abs(utc_us - known.utc_us_at(at_s)) <= STEP_US
            for at_s, utc_us in offsets
        )
        for step_s in known.steps_s
    )
    spans = store.execute("SELECT started_s, ended_s FROM trials").fetchall()
    found.happened = sum(
        any(start_s <= at_s <= (end_s or start_s) for start_s, end_s in spans)
        for at_s in known.happened_s
    )
    found.moved = int(_has_moved(readings, known))


def _has_moved(readings: list[Reading], known: Known) -> bool:
    """Whether UTC was off by more than counts as a step at any reading, or local time became another."""
    first_s = readings[0].at_s
    begun_us = known.utc_us_at(first_s)
    for reading in readings:
        passed_us = (reading.at_s - first_s) * 1e6
        off_us = known.utc_us_at(reading.at_s) - begun_us - passed_us
        if abs(off_us) > STEP_US + 1000:
            return True
    return known.is_local_time_other


def _look_at_holes(
    store: sqlite3.Connection, readings: list[Reading], known: Known, found: Findings
) -> None:
    """Each poll that was due brought a reading, or a gap tells of it."""
    for reason, detail in store.execute("SELECT reason, detail FROM gaps").fetchall():
        found.gaps[reason] += 1
        found.missing += polls_of(detail)
    lasted_s = readings[-1].at_s - readings[0].at_s
    due = round(lasted_s / known.interval_s) + 1
    found.unexplained = abs(due - found.readings - found.missing)


# ---- trials


def _look_at_trials(
    store: sqlite3.Connection, readings: list[Reading], known: Known, found: Findings
) -> None:
    trials = store.execute(
        "SELECT id, condition, repeat, window_start_s, window_end_s FROM trials ORDER BY id"
    ).fetchall()
    for number, condition, repeat, start_s, end_s in trials:
        stored = {
            name: (mean, expanded)
            for name, mean, expanded in store.execute(
                "SELECT channel, mean, expanded_uncertainty FROM averages WHERE trial_id = ? AND analysis_id = 0",
                (number,),
            )
        }
        if not stored:
            continue
        found.finished += 1
        planned = PlannedTrial(position=1, condition=condition, repeat=repeat, baseline=True)  # fmt: skip
        again = _judged_again(known.plan, planned, readings)
        for average in again.averages if again else ():
            mean, expanded = stored[average.channel]
            is_same = abs(mean - average.mean) <= _SAME * abs(mean)
            truth = _truth(known, average.channel, start_s, end_s)
            found.averages_wrong += not is_same or abs(mean - truth) > expanded
        found.averages_wrong += again is None
        inside = [r.at_s for r in readings if start_s <= r.at_s <= end_s]
        found.bridged += any(b - a > 10.0 for a, b in pairwise(inside))


def _judged_again(
    plan: Plan, planned: PlannedTrial, readings: list[Reading]
) -> TrialResult | None:
    """The trial's result from the stored readings alone, whatever the clocks did."""
    session = Session(plan.rules, [planned])
    for reading in readings:
        for occurrence in session.feed(reading):
            if occurrence.result is not None:
                return occurrence.result
    return None


def _truth(known: Known, channel: str, start_s: float, end_s: float) -> float:
    """Mean of all that the meter showed in the window, whether it was read or not [unit]."""
    first = math.ceil((start_s - known.begun_s) * A_SECOND)
    last = math.floor((end_s - known.begun_s) * A_SECOND)
    index = int(channel.rpartition("_r")[2]) if "_r" in channel else 0
    return fmean(known.machine.values(each)[index] for each in range(first, last + 1))
