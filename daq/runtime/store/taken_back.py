"""Typed readings that were taken back, as the journal of operations has them: which, and between which readings.

A reading stays where it was written; what took it back tells the number that the next reading was to have. A trial that
is judged again takes it back at the same place in the order, and so comes to the same averages.
"""

import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from daq.runtime.store.schema import file_format
from daq.runtime.store.spoilt import reading_record
from daq.typed import TakenBack

TAKE_BACK = "take-back"
"""Kind of the operation in the journal."""

_WITH_OPERATIONS = 3
"""The first format that has a journal."""


@dataclass(frozen=True, slots=True)
class TakenBackAt:
    """A reading that was taken back.

    Attributes:
        taken: Which.
        before_reading: Number of the reading, of any instrument, that came next.
    """

    taken: TakenBack
    before_reading: int


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings by their numbers, from `first` on and before `end`; before the first of them these were taken back."""

    first: int
    end: int
    taken_back: tuple[TakenBack, ...]


def taken_back_of(connection: sqlite3.Connection, trial: int) -> list[TakenBackAt]:
    """What was taken back of a trial, in that order."""
    if file_format(connection) < _WITH_OPERATIONS:
        return []
    rows = connection.execute(
        "SELECT detail_json FROM operations WHERE trial_id = ? AND kind = ? ORDER BY id",
        (trial, TAKE_BACK),
    )
    with reading_record(f"what was taken back of trial {trial}"):
        details = [json.loads(detail_json) for (detail_json,) in rows]
        return [
            TakenBackAt(
                TakenBack(each["channel"], each["at_s"]), each["before_reading"]
            )
            for each in details
        ]


def all_taken_back(connection: sqlite3.Connection) -> list[TakenBack]:
    """What was taken back of any trial."""
    return [
        each.taken
        for (trial,) in _trials_with_any(connection)
        for each in taken_back_of(connection, trial)
    ]


def taken_back_by_trial(
    connection: sqlite3.Connection,
) -> dict[str, frozenset[tuple[int, float]]]:
    """Number of the trial and time [s] of each reading that was taken back, by the name of its channel."""
    found: dict[str, set[tuple[int, float]]] = {}
    for (trial,) in _trials_with_any(connection):
        for each in taken_back_of(connection, trial):
            found.setdefault(each.taken.channel, set()).add((trial, each.taken.at_s))
    return {channel: frozenset(places) for channel, places in found.items()}


def _trials_with_any(connection: sqlite3.Connection) -> list[tuple[int]]:
    if file_format(connection) < _WITH_OPERATIONS:
        return []
    return connection.execute(
        "SELECT DISTINCT trial_id FROM operations WHERE kind = ?", (TAKE_BACK,)
    ).fetchall()


def stretches(
    first: int, end: int, taken: Sequence[TakenBackAt], *, longest: int
) -> Iterator[Stretch]:
    """Cut a trial's readings where something was taken back, and where a stretch grows too long.

    Args:
        first: Number of the trial's first reading.
        end: Number after that of the last one that the rule was given.
        taken: What was taken back; what was so after the last reading comes behind it.
        longest: Readings of one stretch at most [1].
    """
    end = max(first, end)
    places = [min(max(each.before_reading, first), end) for each in taken]
    cuts = sorted({*range(first, end, longest), *places, end})
    for begin, stop in pairwise([*cuts, end]):
        here = [
            each.taken
            for each, place in zip(taken, places, strict=True)
            if place == begin
        ]
        if begin < stop or here:
            yield Stretch(begin, stop, tuple(here))
