"""Reads a results file without writing to it, also while the daemon writes.

Readings come page by page, so that no read transaction lasts: a long one would keep
SQLite from emptying its log. Knows no writer, no text format and no arithmetic.
"""

import dataclasses
import math
import sqlite3
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from daq.errors import InputError
from daq.export import AnalysisSummary, StoredAverage, StoredTrial
from daq.export import SessionSummary as SessionSummary  # handed on
from daq.runtime.store.analyses import analysed_averages, analysed_trials
from daq.runtime.store.layout import SqlValue, quoted, utc_text
from daq.runtime.store.opening import converted, reading_store
from daq.runtime.store.schema import LIVE, file_format
from daq.runtime.store.taken_back import taken_back_by_trial

PAGE_ROWS = 5_000
"""Rows fetched at a time."""

_LEADING = ("utc", "at_s", "trial", "elapsed_s")
_TRAILING = ("flags",)
_Record = TypeVar("_Record", StoredAverage, StoredTrial)
_Source = Callable[[int], str]
"""A statement for each format of the store."""

_LIVE_TRIALS = f"SELECT *, {LIVE} AS analysis FROM trial_list"  # noqa: S608 - a constant
_LIVE_AVERAGES = (
    f"SELECT a.*, l.note, {LIVE} AS analysis FROM trial_averages a"  # noqa: S608 - a constant
    " JOIN trial_list l ON l.trial = a.trial"
)
_LIVE_ONLY = 1
"""The last format that had no analyses."""


@dataclass(frozen=True, slots=True)
class StoredReadings:
    """Readings of one instrument.

    Attributes:
        instrument: Its name on the bench.
        header: Names of the columns, with their units.
        rows: UTC, bench time, number of the trial, time since its switch-on, the
            values, the flags. To be used up before the next instrument is asked for.
    """

    instrument: str
    header: tuple[str, ...]
    rows: Iterator[tuple[SqlValue, ...]]


def read_sessions(path: Path) -> list[SessionSummary]:
    """List the sessions of a store, oldest first.

    Raises:
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    with reading_store(path) as connection:
        rows = connection.execute(
            "SELECT s.id, s.uuid, s.bench, s.plan, s.machine, s.software, s.speed,"
            " s.started_utc, s.ended_utc, s.state, count(t.id),"
            " count(t.id) FILTER (WHERE t.state = 'finished')"
            " FROM sessions s LEFT JOIN trials t ON t.session_id = s.id"
            " GROUP BY s.id ORDER BY s.id"
        )
        return [SessionSummary(*row) for row in rows]


def read_analyses(path: Path) -> list[AnalysisSummary]:
    """List the analyses of a store by their numbers; number 0 is what was averaged live.

    Raises:
        StoreError: As for read_sessions().
    """
    with reading_store(path) as connection:
        return _analyses(connection)


def _analyses(connection: sqlite3.Connection) -> list[AnalysisSummary]:
    live = AnalysisSummary(LIVE, None, None, "", "averaged live", "")
    if file_format(connection) <= _LIVE_ONLY:
        return [live]
    rows = connection.execute(
        "SELECT id, session_id, created_utc, software, note, coalesce(rule_json, '')"
        " FROM analyses WHERE id <> ? ORDER BY id",
        (LIVE,),
    )
    return [live, *(AnalysisSummary(*row) for row in rows)]


def read_trials(
    path: Path, session: int | None = None, *, analysis: int = LIVE
) -> list[StoredTrial]:
    """Read a session's trials in the order they were carried out, as one analysis judged them.

    Args:
        path: Of the store.
        session: Its number; None for that of the analysis, and for the newest of what was judged live.
        analysis: Its number.

    Raises:
        InputError: If there is no such session or analysis, or the analysis is of another session.
        StoreError: As for read_sessions().
    """
    source = (lambda _: _LIVE_TRIALS) if analysis == LIVE else analysed_trials
    return _read(path, source, StoredTrial, session, analysis)


def read_trial_averages(
    path: Path, session: int | None = None, *, analysis: int = LIVE
) -> list[StoredAverage]:
    """Read the averages of a session, trial by trial; arguments and exceptions as of read_trials()."""
    source = (lambda _: _LIVE_AVERAGES) if analysis == LIVE else analysed_averages
    return _read(path, source, StoredAverage, session, analysis)


def _read(
    path: Path,
    source_of: _Source,
    record: type[_Record],
    session: int | None,
    analysis: int,
) -> list[_Record]:
    with reading_store(path) as connection:
        number = _session_number(connection, path, session, analysis)
        source = source_of(file_format(connection))
        names = _names_in(connection, source, record)
        order = "trial, channel" if "channel" in names else "trial"
        rows = connection.execute(
            f"SELECT {', '.join(names)} FROM ({source})"  # noqa: S608 - names of ours
            f" WHERE session = ? AND analysis = ? ORDER BY {order}",
            (number, analysis),
        ).fetchall()
    return [record(**_typed(record, names, row)) for row in rows]


def _names_in(
    connection: sqlite3.Connection, source: str, record: type[_Record]
) -> list[str]:
    """The record's fields that are there; files of an earlier format lack those with a default."""
    found = connection.execute(f"SELECT * FROM ({source}) LIMIT 0")  # noqa: S608 - constants
    there = {column[0] for column in found.description}
    return [f.name for f in dataclasses.fields(record) if f.name in there]


def numbered(numbers: Sequence[int]) -> str:
    """From which to which, in words."""
    if not numbers:
        return "none"
    first, last = numbers[0], numbers[-1]
    return f"{first} to {last}" if first < last else f"only {first}"


def _session_number(
    connection: sqlite3.Connection,
    path: Path,
    session: int | None,
    analysis: int = LIVE,
) -> int | None:
    if analysis != LIVE:
        return _analysed_session(connection, path, session, analysis)
    numbers = [n for (n,) in connection.execute("SELECT id FROM sessions ORDER BY id")]
    if session is None:
        # One that was only just begun must not hide the results of the one before.
        (with_averages,) = connection.execute(
            "SELECT max(session) FROM trial_averages"
        ).fetchone()
        return with_averages or (numbers[-1] if numbers else None)
    if session not in numbers:
        msg = f"{path}: no session {session}, it holds {numbered(numbers)}"
        raise InputError(msg)
    return session


def _analysed_session(
    connection: sqlite3.Connection, path: Path, session: int | None, analysis: int
) -> int | None:
    """Whose analysis it is."""
    known = {each.analysis: each.session for each in _analyses(connection)}
    if analysis not in known:
        held = ", ".join(f"{n} (live)" if n == LIVE else str(n) for n in known)
        msg = f"{path}: no analysis {analysis}, it holds {held}"
        raise InputError(msg)
    if session not in {None, known[analysis]}:
        msg = f"{path}: analysis {analysis} is of session {known[analysis]}, not of {session}"
        raise InputError(msg)
    return known[analysis]


def _typed(
    record: type[_Record], names: Sequence[str], row: Sequence[SqlValue]
) -> dict[str, Any]:
    """Give truth values and what was not finite their Python form."""
    types = {field.name: field.type for field in dataclasses.fields(record)}
    typed: dict[str, Any] = dict(zip(names, row, strict=True))
    for name, value in typed.items():
        if types[name] is bool:
            typed[name] = bool(value)
        elif value is None and types[name] is float:
            typed[name] = math.inf
    return typed


def read_readings(
    path: Path,
    *,
    instruments: Collection[str] | None = None,
    channels: Collection[str] | None = None,
    session: int | None = None,
    trial: int | None = None,
) -> Iterator[StoredReadings]:
    """Read readings, instrument by instrument.

    Where the operator took typed readings back, a last column `taken_back` is 1 for those, and 0 for the others.

    Args:
        path: Of the store.
        instruments: Names of those wanted; None for all.
        channels: Names of those wanted; None for all. A channel whose unit was changed
            has a column for each unit.
        session: Only readings taken in trials of that session.
        trial: Only readings of the trial of that number.

    Raises:
        InputError: If there is no such instrument, channel or session.
        StoreError: As for read_sessions().
    """
    with reading_store(path, readings=True) as connection:
        if session is not None:
            _session_number(connection, path, session)
        taken_back = taken_back_by_trial(connection)
        for found in _columns(connection, path, instruments, channels):
            rows = _Pages(connection, path, found, session=session, trial=trial).rows()
            header = (*_LEADING, *found.columns, *_TRAILING)
            # What is typed is a channel of its own, and its instrument has that name.
            if taken := taken_back.get(found.instrument):
                header, rows = (*header, "taken_back"), _marked(rows, taken)
            yield StoredReadings(found.instrument, header, rows)


def _marked(
    rows: Iterator[tuple[SqlValue, ...]], taken: Collection[tuple[int, float]]
) -> Iterator[tuple[SqlValue, ...]]:
    at, trial = _LEADING.index("at_s"), _LEADING.index("trial")
    return ((*row, int((row[trial], row[at]) in taken)) for row in rows)


@dataclass(frozen=True, slots=True)
class _Wanted:
    instrument: str
    table: str
    columns: tuple[str, ...]


def _columns(
    connection: sqlite3.Connection,
    path: Path,
    instruments: Collection[str] | None,
    channels: Collection[str] | None,
) -> list[_Wanted]:
    known = connection.execute(
        "SELECT instrument, name, table_name, column_name FROM channels"
        " GROUP BY table_name, column_name ORDER BY min(id)"
    ).fetchall()
    _check_names(path, "instrument", instruments, [row[0] for row in known])
    _check_names(path, "channel", channels, [row[1] for row in known])
    columns: dict[tuple[str, str], list[str]] = {}
    for instrument, channel, table, column in known:
        if (instruments is None or instrument in instruments) and (
            channels is None or channel in channels
        ):
            columns.setdefault((instrument, table), []).append(column)
    return [_Wanted(*key, tuple(names)) for key, names in columns.items()]


def _check_names(
    path: Path, kind: str, wanted: Collection[str] | None, known: Sequence[str]
) -> None:
    for name in wanted or ():
        if name not in known:
            there = ", ".join(dict.fromkeys(known)) or "none"
            msg = f"{path}: no {kind} {name!r}, it holds {there}"
            raise InputError(msg)


class _Pages:
    """The rows of one table, fetched page by page in the order of `seq`."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        path: Path,
        wanted: _Wanted,
        *,
        session: int | None,
        trial: int | None,
    ) -> None:
        self._connection = connection
        self._path = path
        self._limits = {"session": session, "trial": trial, "most": PAGE_ROWS}
        values = "".join(f"r.{quoted(column)}, " for column in wanted.columns)
        chosen = " AND t.session_id = :session" if session is not None else ""
        chosen += " AND r.trial_id = :trial" if trial is not None else ""
        self._statement = (
            f"SELECT r.seq, {utc_text('c', 'r.at_s')}, r.at_s, r.trial_id,"  # noqa: S608 - names of ours
            f" round(r.at_s - t.started_s, 6), {values}r.flags"
            f" FROM {quoted(wanted.table)} r JOIN clocks c ON c.id = r.clock_id"
            " LEFT JOIN trials t ON t.id = r.trial_id"
            f" WHERE r.seq > :after{chosen} ORDER BY r.seq LIMIT :most"
        )

    def rows(self) -> Iterator[tuple[SqlValue, ...]]:
        after = -1
        while page := self._page(after):
            for seq, *cells in page:
                yield tuple(cells)
                after = seq

    def _page(self, after: int) -> list[tuple[Any, ...]]:
        # Asked for outside of the block that the connection was made in.
        with converted(self._path):
            return self._connection.execute(
                self._statement, {**self._limits, "after": after}
            ).fetchall()
