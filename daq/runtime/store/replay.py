"""A session as it was recorded, and a trial's readings as the live session was given them.

Readings come in blocks of the order in which they arrived, over all instruments: they were numbered so when they came.
Trials of format 1 have no such numbers; there the readings' own times must do.
"""

import math
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daq.errors import InputError, StoreError
from daq.records import Channel, PlannedTrial, TrialResult, TrialState, Window
from daq.runtime.store.analyses import (
    averages_of,
    insert_analysed_trial,
    insert_analysis,
)
from daq.runtime.store.described import DESCRIPTION, channel_of
from daq.runtime.store.layout import quoted
from daq.runtime.store.opening import altering_store, reading_store
from daq.runtime.store.schema import file_format
from daq.runtime.store.spoilt import expect_session_texts
from daq.runtime.store.taken_back import stretches, taken_back_of
from daq.trials.reanalysis import ReadingBlock

BLOCK = 65_536
"""Readings fetched at a time."""

_LEAST_FORMAT = 2
"""What is older is brought up to date before it is gone through again."""

_WITH_CORRECTIONS = 3
"""The first format in which a trial can be set aside."""

_LAST = 2**62
_PAGE = 5_000
_NUMBER, _TIME = 0, 1
"""Leading columns of what is fetched: a reading's number, and when it was true."""


@dataclass(frozen=True, slots=True)
class RecordedTrial:
    """A trial as it was recorded.

    Attributes:
        number: Of the trial in its store.
        result: How it ended live, with its averages; RUNNING where nobody ended it. What was set aside since is
            judged as it had ended: reading back tells that it does not count, by whatever analysis.
        rule_json: What it was judged by.
        boot_id: Of the clock that its times are on.
        newest_channel_id: Channels were described up to this row when it began; None in format 1.
        first_reading: Number of its first reading; None in format 1.
        judged_before: Number of the first reading that the rule was not given; None where it was given all.
    """

    number: int
    result: TrialResult
    rule_json: str | None
    boot_id: str
    newest_channel_id: int | None
    first_reading: int | None
    judged_before: int | None


@dataclass(frozen=True, slots=True)
class RecordedSession:
    """A session as it was recorded: its plan, and its trials in the order they were carried out."""

    number: int
    plan: str
    plan_text: str
    software: str
    trials: tuple[RecordedTrial, ...]


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an instrument's readings lie, and which of the channels asked for are in them."""

    table: str
    columns: tuple[str, ...]
    numbers: tuple[int, ...]


@contextmanager
def replaying(path: Path, *, keeping: bool) -> Iterator["Replay"]:
    """Open a store to go through its sessions again.

    Args:
        path: Of the store.
        keeping: What comes out will be kept: nobody else may write meanwhile.

    Raises:
        StoreBusyError: If another program is writing it.
        StoreError: If the file is not there, not ours, too new or cannot be used; or too old and nothing is kept.
    """
    with opened_for_replay(path, keeping=keeping) as connection:
        yield Replay(connection, path)


@contextmanager
def opened_for_replay(path: Path, *, keeping: bool) -> Iterator[sqlite3.Connection]:
    """The store's connection, for `replaying` and what reads more than it."""
    if keeping:
        with altering_store(path) as connection:
            yield connection
        return
    with reading_store(path, readings=True) as connection:
        if file_format(connection) < _LEAST_FORMAT:
            msg = (
                f"{path}: written by an earlier version and must be brought up to date:"
                " leave out --dry-run"
            )
            raise StoreError(msg)
        yield connection


class Replay:
    """What is asked of an open store."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self._path = path

    def session(self, number: int | None = None) -> RecordedSession:
        """A session with its trials; None: the newest that has any.

        Raises:
            InputError: If there is no such session.
            RecordSpoiltError: If its plan is lost.
        """
        newest = "(SELECT max(session_id) FROM trials)"
        found = self._connection.execute(
            "SELECT id, plan, plan_text, software FROM sessions"  # noqa: S608 - constants
            f" WHERE id = coalesce(?, {newest})",
            (number,),
        ).fetchone()
        if found is None:
            which = (
                "no session with a trial" if number is None else f"no session {number}"
            )
            msg = f"{self._path}: {which}, daq export --table sessions lists them"
            raise InputError(msg)
        session, plan, plan_text, software = found
        expect_session_texts(session, plan_text=plan_text)
        trials = tuple(self._trials(session))
        return RecordedSession(session, plan, plan_text, software, trials)

    def _trials(self, session: int) -> Iterator[RecordedTrial]:
        is_corrected = file_format(self._connection) >= _WITH_CORRECTIONS
        state = "coalesce(t.state_before, t.state)" if is_corrected else "t.state"
        rows = self._connection.execute(
            "SELECT t.id, t.uuid, t.position, t.condition, t.repeat, t.baseline, t.attempt,"  # noqa: S608 - constants
            f" {state}, t.started_s, t.ended_s, t.note, t.idle_start_s, t.idle_end_s,"
            " t.rule_json, c.boot_id, t.newest_channel_id, t.first_reading,"
            " t.judged_before FROM trials t JOIN clocks c ON c.id = t.clock_id"
            " WHERE t.session_id = ? ORDER BY t.id",
            (session,),
        ).fetchall()
        for number, uuid, position, condition, repeat, baseline, *rest in rows:
            attempt, state, started_s, ended_s, note, idle_s, idle_end_s, *more = rest
            result = TrialResult(
                trial_id=uuid,
                planned=PlannedTrial(position, condition, repeat, bool(baseline)),
                attempt=attempt,
                state=TrialState(state),
                started_s=started_s,
                ended_s=math.inf if ended_s is None else ended_s,
                averages=averages_of(self._connection, number),
                note=note,
                idle=None if idle_s is None else Window(idle_s, idle_end_s),
            )
            yield RecordedTrial(number, result, *more)

    def channels(self, trial: RecordedTrial) -> tuple[Channel, ...]:
        """Channels as they were described when a trial began; with those of earlier benches."""
        rows = self._connection.execute(
            f"SELECT subtract_idle, {DESCRIPTION} FROM channels WHERE id IN"  # noqa: S608 - names of ours
            " (SELECT max(id) FROM channels WHERE id <= coalesce(?, id) GROUP BY name)"
            " ORDER BY id",
            (trial.newest_channel_id,),
        )
        return tuple(
            channel_of(cells, subtract_idle=bool(subtract_idle))
            for subtract_idle, *cells in rows
        )

    def blocks(
        self, trial: RecordedTrial, channels: Sequence[Channel]
    ) -> Iterator[ReadingBlock]:
        """What the rule was given live of a trial, from the first reading on.

        Args:
            trial: Of this store.
            channels: Those wanted, in the order in which the values of one reading are taken.
        """
        names = tuple(channel.name for channel in channels)
        places = self._places(channels)
        if trial.first_reading is None:
            rows = [self._rows(place, trial, 0, _LAST) for place in places]
            yield _merged(names, places, rows, by=_TIME)
            return
        end = self._end(trial, places)
        taken = taken_back_of(self._connection, trial.number)
        for part in stretches(trial.first_reading, end, taken, longest=BLOCK):
            rows = [self._rows(p, trial, part.first, part.end) for p in places]
            block = _merged(names, places, rows, by=_NUMBER)
            yield replace(block, taken_back=part.taken_back)

    def idle(
        self, trial: RecordedTrial, channels: Sequence[Channel]
    ) -> dict[str, list[float]]:
        """Readings with the machine off, for the channels whose zero is taken off."""
        window = trial.result.idle
        wanted = [channel for channel in channels if channel.subtract_idle]
        if window is None or trial.first_reading is None:
            return {}
        found: dict[str, list[float]] = {}
        for place in self._places(wanted):
            rows = self._idle_rows(place, trial, window)
            for column, number in enumerate(place.numbers, 2):
                values = [row[column] for row in rows if row[column] is not None]
                found[wanted[number].name] = values
        return found

    def keep(
        self,
        results: Mapping[int, TrialResult],
        *,
        session: int,
        software: str,
        rule_json: str,
        note: str,
    ) -> int:
        """Add an analysis beside the earlier ones; returns its number.

        Args:
            results: By number of the trial.
            session: Whose trials.
            software: Name and version.
            rule_json: What they were judged by.
            note: The same in words.

        Raises:
            ValueError: If a mean or a window is not finite.
        """
        analysis = insert_analysis(
            self._connection,
            session=session,
            software=software,
            rule_json=rule_json,
            note=note,
        )
        for trial, result in results.items():
            insert_analysed_trial(self._connection, analysis, trial, result)
        return analysis

    # ---- inside

    def _places(self, channels: Sequence[Channel]) -> list[_Place]:
        """Where the channels' readings lie, instrument by instrument."""
        places: dict[str, list[tuple[str, int]]] = {}
        for number, channel in enumerate(channels):
            (table, column) = self._connection.execute(
                "SELECT table_name, column_name FROM channels"
                " WHERE name = ? AND unit = ? AND instrument = ? LIMIT 1",
                (channel.name, channel.unit, channel.instrument),
            ).fetchone()
            places.setdefault(table, []).append((column, number))
        return [
            _Place(table, *map(tuple, zip(*columns, strict=True)))
            for table, columns in places.items()
        ]

    def _end(self, trial: RecordedTrial, places: Sequence[_Place]) -> int:
        """Number after that of the last reading that the rule was given."""
        if trial.judged_before is not None:
            return trial.judged_before
        last = [
            self._connection.execute(
                f"SELECT max(seq) FROM {quoted(place.table)} WHERE trial_id = ?",  # noqa: S608 - a name of ours
                (trial.number,),
            ).fetchone()[0]
            for place in places
        ]
        return max((int(seq) + 1 for seq in last if seq is not None), default=0)

    def _rows(
        self, place: _Place, trial: RecordedTrial, first: int, before: int
    ) -> NDArray[np.float64]:
        columns = ", ".join(quoted(column) for column in place.columns)
        rows = self._connection.execute(
            f"SELECT seq, at_s, {columns} FROM {quoted(place.table)}"  # noqa: S608 - names of ours
            " WHERE trial_id = ? AND seq >= ? AND seq < ? ORDER BY seq",
            (trial.number, first, before),
        ).fetchall()
        # Nothing (NULL) becomes not-a-number, which no stored reading is.
        return np.array(rows, dtype=np.float64).reshape(-1, 2 + len(place.columns))

    def _idle_rows(
        self, place: _Place, trial: RecordedTrial, window: Window
    ) -> list[tuple[float, ...]]:
        """Page by page backwards from soon after the switch-on: a few come late."""
        columns = ", ".join(f"r.{quoted(column)}" for column in place.columns)
        before = (trial.first_reading or 0) + _PAGE
        kept: list[tuple[float, ...]] = []
        while page := self._connection.execute(
            f"SELECT r.seq, r.at_s, {columns}, c.boot_id = ? FROM {quoted(place.table)} r"  # noqa: S608 - names of ours
            " JOIN clocks c ON c.id = r.clock_id"
            f" WHERE r.seq < ? ORDER BY r.seq DESC LIMIT {_PAGE}",
            (trial.boot_id, before),
        ).fetchall():
            # Times of another boot are of another clock.
            same_boot = [row for row in page if row[-1]]
            kept += [r for r in same_boot if window.start_s <= r[1] <= window.end_s]
            if not same_boot or same_boot[-1][1] < window.start_s:
                break
            before = page[-1][0]
        return kept[::-1]


def _merged(
    names: tuple[str, ...],
    places: Sequence[_Place],
    rows: Sequence[NDArray[np.float64]],
    *,
    by: int,
) -> ReadingBlock:
    """One block of what several instruments read, ordered by one of the leading columns."""
    which = [
        np.tile(np.array(place.numbers, dtype=np.intp), len(part))
        for place, part in zip(places, rows, strict=True)
    ]
    counts = [len(place.numbers) for place in places]
    leading = [
        np.repeat(part[:, :2], count, axis=0)
        for part, count in zip(rows, counts, strict=True)
    ]
    values = np.concatenate([part[:, 2:].ravel() for part in rows])
    keys_and_times = np.concatenate(leading)
    # Stable: the values of one reading stay in their order.
    order = np.argsort(keys_and_times[:, by], kind="stable")
    order = order[~np.isnan(values[order])]
    return ReadingBlock(
        names,
        np.concatenate(which)[order],
        keys_and_times[order, _TIME],
        values[order],
    )
