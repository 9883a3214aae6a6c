"""Reads the readings about each trial's switching, from which a lead's resistance follows; read-only, as reading.py.

Walks along the numbers of readings, never along their times: a store may hold days of idle readings. Takes stores of
format 1 too. What the readings mean is daq/comparison's business.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path

from daq.comparison.lead_readings import Stretch, TrialEdges, tells_of_a_lead
from daq.errors import InputError
from daq.records import Channel, TrialState
from daq.runtime.store.described import DESCRIPTION, channel_of
from daq.runtime.store.imported import imported_names, typed_names
from daq.runtime.store.layout import quoted
from daq.runtime.store.opening import reading_store
from daq.runtime.store.schema import file_format
from daq.units import senml_value, unit_of

_BEFORE_ON_S, _AFTER_ON_S = 60.0, 30.0
_BEFORE_OFF_S, _AFTER_OFF_S = 62.0, 30.0
_GUARD_S = 2.0
"""So near to another trial's switching a reading belongs to that one [s]."""
_PAGE = 200
_KEPT_STATES = (TrialState.FINISHED, TrialState.NOT_SETTLED, TrialState.LIMIT_BROKEN)
_FORMAT_WITHOUT_CHANNEL_NUMBERS = 1

_Row = tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class _Trial:
    """A trial that ended, with the stretch of the boot's clock that is its own."""

    number: int
    condition: str
    boot_id: str
    on_s: float
    off_s: float
    start_s: float
    end_s: float
    newest_channel: int | None


def read_session_edges(
    path: Path, session: int | None = None
) -> tuple[TrialEdges, ...]:
    """Read what was measured about the switching of a session's trials.

    Args:
        path: Of the store.
        session: Its number; None for the newest that has a trial.

    Returns:
        One a trial that was not broken off, in the order they were carried out.

    Raises:
        InputError: If there is no such session.
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    with reading_store(path) as connection:
        number = _session_number(connection, path, session)
        (bench_text,) = connection.execute(
            "SELECT bench_text FROM sessions WHERE id = ?", (number,)
        ).fetchone()
        others = imported_names(connection, number) | typed_names(bench_text)
        return tuple(
            replace(_edges(connection, trial), second_choice=frozenset(others))
            for trial in _trials(connection, number)
        )


def _session_number(
    connection: sqlite3.Connection, path: Path, session: int | None
) -> int:
    found = connection.execute(
        "SELECT id FROM sessions WHERE id = coalesce(?, (SELECT max(session_id) FROM trials))",
        (session,),
    ).fetchone()
    if found is None:
        which = (
            "no session with a trial" if session is None else f"no session {session}"
        )
        msg = f"{path}: {which}, daq export --table sessions lists them"
        raise InputError(msg)
    return int(found[0])


def _trials(connection: sqlite3.Connection, session: int) -> Iterator[_Trial]:
    has_numbers = file_format(connection) > _FORMAT_WITHOUT_CHANNEL_NUMBERS
    newest = "t.newest_channel_id" if has_numbers else "NULL"
    # Trials of other sessions too: what was read during them is theirs.
    rows = connection.execute(
        f"SELECT t.id, t.condition, c.boot_id, t.started_s, t.ended_s, {newest}, t.session_id, t.state"  # noqa: S608 - constants
        " FROM trials t JOIN clocks c ON c.id = t.clock_id ORDER BY t.id"
    ).fetchall()
    for i, (number, condition, boot, on_s, off_s, channel, of, state) in enumerate(
        rows
    ):
        if of != session or off_s is None or TrialState(state) not in _KEPT_STATES:
            continue
        before = [r[4] for r in rows[:i] if r[2] == boot and r[4] is not None]
        after = [r[3] for r in rows[i + 1 :] if r[2] == boot]
        yield _Trial(
            number=number,
            condition=condition,
            boot_id=boot,
            on_s=on_s,
            off_s=off_s,
            start_s=max([on_s - _BEFORE_ON_S, *(t + _GUARD_S for t in before)]),
            end_s=min([off_s + _AFTER_OFF_S, *(t - _GUARD_S for t in after)]),
            newest_channel=channel,
        )


def _edges(connection: sqlite3.Connection, trial: _Trial) -> TrialEdges:
    readings: dict[str, Stretch] = {}
    channels: list[Channel] = []
    for table, found in groupby(_places(connection, trial), key=lambda place: place[0]):
        columns = [(column, channel) for _, column, channel in found]
        channels += [channel for _, channel in columns]
        rows = _rows(connection, table, [column for column, _ in columns], trial)
        for index, (_, channel) in enumerate(columns, 1):
            readings[channel.name] = _stretch(channel, rows, index)
    return TrialEdges(
        trial=trial.number,
        condition=trial.condition,
        on_s=trial.on_s,
        off_s=trial.off_s,
        channels=tuple(channels),
        readings=readings,
    )


def _stretch(channel: Channel, rows: Sequence[_Row], index: int) -> Stretch:
    unit = unit_of(channel.unit)
    there = [
        (at_s, value)
        for row in rows
        if (at_s := row[0]) is not None and (value := row[index]) is not None
    ]
    return Stretch(
        tuple(at_s for at_s, _ in there),
        tuple(senml_value(value, unit) for _, value in there),
    )


def _places(
    connection: sqlite3.Connection, trial: _Trial
) -> list[tuple[str, str, Channel]]:
    """Table, column and description, as it was when the trial began, of every channel that tells of a lead."""
    rows = connection.execute(
        f"SELECT table_name, column_name, {DESCRIPTION} FROM channels WHERE id IN"  # noqa: S608 - names of ours
        " (SELECT max(id) FROM channels WHERE id <= coalesce(?, id) GROUP BY name) ORDER BY table_name, id",
        (trial.newest_channel,),
    ).fetchall()
    return [
        (table, column, channel)
        for table, column, *cells in rows
        if tells_of_a_lead(channel := channel_of(cells))
    ]


def _rows(
    connection: sqlite3.Connection, table: str, columns: Sequence[str], trial: _Trial
) -> list[_Row]:
    """Time and values, in order of time: about both switchings, without the run between."""
    values = ", ".join(f"r.{quoted(column)}" for column in columns)
    select = (
        f"SELECT r.seq, c.boot_id, r.at_s, {values} FROM {quoted(table)} r"  # noqa: S608 - names of ours
        " JOIN clocks c ON c.id = r.clock_id"
    )
    own = connection.execute(
        f"{select} WHERE r.trial_id = ? ORDER BY r.seq", (trial.number,)
    ).fetchall()
    if not own:
        return []
    found = [
        *_walked(
            connection,
            f"{select} WHERE r.seq < ? ORDER BY r.seq DESC",
            own[0][0],
            trial,
        ),
        *own,
        *_walked(
            connection, f"{select} WHERE r.seq > ? ORDER BY r.seq", own[-1][0], trial
        ),
    ]
    kept = {row[0]: row[2:] for row in found if _is_wanted(row[1], row[2], trial)}
    return sorted(kept.values(), key=lambda row: row[0])


def _walked(
    connection: sqlite3.Connection, select: str, number: int, trial: _Trial
) -> Iterator[tuple[int, str, float, float | None]]:
    """Page by page away from the trial, until a page is all of another time or another boot."""
    while page := connection.execute(f"{select} LIMIT {_PAGE}", (number,)).fetchall():
        yield from page
        number = page[-1][0]
        if not any(
            boot == trial.boot_id and trial.start_s <= at_s <= trial.end_s
            for _, boot, at_s, *_ in page
        ):
            return


def _is_wanted(boot_id: str, at_s: float, trial: _Trial) -> bool:
    if boot_id != trial.boot_id:
        return False
    about_on = trial.start_s <= at_s <= trial.on_s + _AFTER_ON_S
    about_off = trial.off_s - _BEFORE_OFF_S <= at_s <= trial.end_s
    return about_on or (about_off and at_s >= trial.start_s)
