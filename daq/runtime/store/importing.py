"""Adds readings of a meter's own log to a session of a results file.

Everything happens in one transaction. What was done stands in the journal of operations, kind "import", with the
content's hash, the channels and how the clock was set; from there it is known what was imported already. Imported
readings are numbered behind all others, in the order in which they came, and are a span of their session.
"""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from daq.errors import InputError, StoreError
from daq.records import Channel, Gap, Reading
from daq.runtime.store.columns import fit_to_bench
from daq.runtime.store.corrections import INSERT_OPERATION, operation_values
from daq.runtime.store.imported import (
    IMPORT,
    PlacedSession,
    PlacedTrial,
    ReplayWithLogs,
)
from daq.runtime.store.layout import InstrumentTable, SqlValue, quoted
from daq.runtime.store.opening import altering_store, check_file
from daq.runtime.store.schema import FORMAT
from daq.runtime.store.spans import (
    close_dead_spans,
    close_span,
    next_numbers,
    open_span,
)

_WAY = "command line"
_KEPT_AROUND_S = 600.0
"""So long before the first trial and after the last a log's readings are kept [s]."""
_INSERT_EVENT = (
    "INSERT INTO events (clock_id, session_id, at_s, kind, text) VALUES (?, ?, ?, ?, ?)"
)
INSERT_GAP = (
    "INSERT INTO gaps (id, clock_id, trial_id, at_s, instrument, reason, detail)"
    " VALUES (?, ?, ?, ?, ?, ?, ?)"
)


@dataclass(frozen=True, slots=True)
class ImportedLog:
    """What is written of one log.

    Attributes:
        channels: Of one instrument.
        readings: On the session's time, never falling.
        gaps: Lines that could not be read, likewise.
        detail: For the journal: hash, columns, how the clock was set.
        caution: What speaks against it, in words, for the events; empty where nothing does.
    """

    channels: tuple[Channel, ...]
    readings: tuple[Reading, ...]
    gaps: tuple[Gap, ...]
    detail: Mapping[str, object]
    caution: str = ""

    @property
    def instrument(self) -> str:
        """Its name."""
        return self.channels[0].instrument


class _NothingIsKept(Exception):  # noqa: N818 - no error: it only rolls back
    """Ends a transaction of which nothing is to stay."""


@contextmanager
def importing(path: Path, *, keeping: bool) -> Iterator["Importing"]:
    """Open a store to add a log to one of its sessions.

    Args:
        path: Of the store.
        keeping: Whether what the block does stays.

    Raises:
        StoreBusyError: If another program is writing it.
        StoreError: If the file is not there, not ours, too new, cannot be used, or is too old and nothing is kept.
    """
    if not keeping and 0 < check_file(path) < FORMAT:
        msg = f"{path}: written by an earlier version and must be brought up to date: leave out --dry-run"
        raise StoreError(msg)
    with suppress(_NothingIsKept), altering_store(path) as connection:
        close_dead_spans(connection)
        yield Importing(connection, path)
        if not keeping:
            raise _NothingIsKept


class Importing:
    """What is asked of an open store, and added to it."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self._path = path
        self.replay = ReplayWithLogs(connection, path)

    def expect_new(self, session: int, sha256: str, columns: Sequence[str]) -> None:
        """Refuse what was imported into the session already, under whatever name.

        Raises:
            InputError: With what it is there.
        """
        for detail_channel, detail_column in self._connection.execute(
            "SELECT j.value ->> '$.channel', j.value ->> '$.column' FROM operations o,"
            " json_each(o.detail_json, '$.columns') j WHERE o.kind = ? AND o.session_id = ?"
            " AND o.detail_json ->> '$.sha256' = ?",
            (IMPORT, session, sha256),
        ):
            if detail_column in columns:
                msg = (
                    f"{self._path}: column {detail_column!r} of the same content is in session {session} already,"
                    f" as channel {detail_channel!r}; nothing is imported twice"
                )
                raise InputError(msg)

    def expect_free(self, session: int, log: ImportedLog) -> None:
        """Refuse names that are another's, and readings of a time of which the meter's are there.

        Raises:
            InputError: With what is there.
        """
        for channel in log.channels:
            found = self._connection.execute(
                "SELECT instrument FROM channels WHERE name = ? AND instrument <> ?",
                (channel.name, channel.instrument),
            ).fetchone()
            if found is not None:
                msg = f"channel {channel.name!r} is one of instrument {found[0]!r} in {self._path}, expected another name"
                raise InputError(msg)
        measured = {
            c.instrument
            for t in self.replay.placed(session).trials
            for c in self.replay.own_channels(t.recorded)
        }
        if log.instrument in measured:
            msg = f"instrument {log.instrument!r} is one of the bench's, expected another name: --meter NAME"
            raise InputError(msg)

    def add_log(self, session: PlacedSession, log: ImportedLog) -> int:
        """Write the readings that are near the session's trials; returns how many."""
        number = session.recorded.number
        tables = fit_to_bench(self._connection, {log.instrument: log.channels})
        table = tables[log.instrument]
        if table is None:
            msg = f"{log.instrument}: no channel, expected at least one"
            raise ValueError(msg)
        kept = [r for r in log.readings if _is_near(session, r.at_s)]
        self._expect_no_overlap(table, session, kept)
        before = next_numbers(self._connection)
        open_span(
            self._connection, number, next_reading=before.reading, next_gap=before.gap
        )
        rows = []
        for seq, reading in enumerate(kept, before.reading):
            place, trial = _place_of(session, reading.at_s)
            own = (
                seq,
                place.clock_id,
                trial,
                reading.at_s - place.shift_s,
                reading.flags,
            )
            rows.append(own + table.pick(reading.values))
        self._connection.executemany(table.insert, rows)
        gaps = [gap for gap in log.gaps if _is_near(session, gap.at_s)]
        for gap_number, gap in enumerate(gaps, before.gap):
            place, trial = _place_of(session, gap.at_s)
            self._connection.execute(
                INSERT_GAP,
                gap_values(
                    gap_number, place.clock_id, trial, gap, shift_s=place.shift_s
                ),
            )
        after = next_numbers(self._connection)
        close_span(
            self._connection, number, next_reading=after.reading, next_gap=after.gap
        )
        place = session.trials[-1]
        write_journal(
            self._connection,
            number,
            log,
            clock_id=place.clock_id,
            at_s=place.recorded.result.ended_s,
        )
        return len(kept)

    # ---- inside

    def _expect_no_overlap(
        self, table: InstrumentTable, session: PlacedSession, kept: Sequence[Reading]
    ) -> None:
        """Two logs of one meter may follow each other, not tell of one moment twice."""
        if not kept:
            return
        (first, last) = (kept[0].at_s, kept[-1].at_s)
        for trial in session.trials:
            (count,) = self._connection.execute(
                f"SELECT count(*) FROM {quoted(table.name)}"  # noqa: S608 - a name of ours
                " WHERE trial_id = ? AND at_s BETWEEN ? AND ?",
                (trial.recorded.number, first - trial.shift_s, last - trial.shift_s),
            ).fetchone()
            if count:
                msg = (
                    f"{self._path}: trial {trial.recorded.number} has {count} readings of this meter from another log"
                    " already, expected a log of another time, or another name: --meter NAME"
                )
                raise InputError(msg)


def _is_near(session: PlacedSession, at_s: float) -> bool:
    first, last = session.trials[0], session.trials[-1]
    return first.started_s - _KEPT_AROUND_S <= at_s <= last.ended_s + _KEPT_AROUND_S


def _place_of(session: PlacedSession, at_s: float) -> tuple[PlacedTrial, int | None]:
    """Whose clock a time of the session is told by, and the trial that it falls into."""
    own = session.trials[0]
    for trial in session.trials:
        if trial.started_s > at_s:
            break
        own = trial
    is_inside = own.started_s <= at_s <= own.ended_s
    return own, own.recorded.number if is_inside else None


def gap_values(
    number: int, clock_id: int, trial: int | None, gap: Gap, *, shift_s: float
) -> tuple[SqlValue, ...]:
    """Values of INSERT_GAP; the shift made the gap's time one of the session [s]."""
    at_s = gap.at_s - shift_s
    return (number, clock_id, trial, at_s, gap.instrument, gap.reason.value, gap.detail)


def write_journal(
    connection: sqlite3.Connection,
    session: int,
    log: ImportedLog,
    *,
    clock_id: int,
    at_s: float,
) -> None:
    """Keep what was imported and how, and among the events what speaks against it."""
    values = operation_values(
        IMPORT,
        at_s=at_s,
        clock_id=clock_id,
        session_id=session,
        way=_WAY,
        trial_id=None,
        detail=log.detail,
    )
    connection.execute(INSERT_OPERATION, values)
    if log.caution:
        event = (clock_id, session, at_s, IMPORT, log.caution)
        connection.execute(_INSERT_EVENT, event)
