"""A recorded session with the channels that were imported into it from meters' own logs.

Imported readings are numbered behind all others, so they are found by their trial and their time. What was imported
stands in the journal of operations. Channels of a session that was made of logs alone are its own: its trials were
judged with them.

Times of a session are seconds since it began, at the pace of its bench: boots and steps of UTC are taken out.
"""

import json
import sqlite3
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from daq.errors import InputError
from daq.logs.judged import LoggedReadings, idle_window
from daq.records import Channel, TrialResult, Window
from daq.runtime.store.described import DESCRIPTION, channel_of
from daq.runtime.store.layout import quoted
from daq.runtime.store.opening import reading_store
from daq.runtime.store.replay import (
    RecordedSession,
    RecordedTrial,
    Replay,
    opened_for_replay,
)
from daq.runtime.store.schema import FORMAT, file_format
from daq.runtime.store.spoilt import reading_record
from daq.trials.judging import recorded_channels

IMPORT = "import"
"""Kind of the journal's rows."""


def imported_names(connection: sqlite3.Connection, session: int) -> set[str]:
    """Names of channels that were added to a session after it was recorded."""
    journalled = _journalled(connection, session)
    if not journalled:
        return set()
    rows = connection.execute(
        "SELECT DISTINCT rule_json FROM trials WHERE session_id = ? AND rule_json IS NOT NULL",
        (session,),
    )
    with reading_record(f"session {session}"):
        judged_live = {name for (text,) in rows for name in recorded_channels(text)}
    return journalled - judged_live


def _journalled(connection: sqlite3.Connection, session: int | None) -> set[str]:
    """Names of all channels of logs that became part of a session, or of any."""
    if file_format(connection) < FORMAT:
        # Earlier versions imported nothing.
        return set()
    rows = connection.execute(
        "SELECT DISTINCT j.value ->> '$.channel' FROM operations o, json_each(o.detail_json, '$.columns') j"
        " WHERE o.kind = ?1 AND (?2 IS NULL OR o.session_id = ?2)",
        (IMPORT, session),
    )
    return {name for (name,) in rows}


@dataclass(frozen=True, slots=True)
class StoredLog:
    """What the journal has of one log.

    Attributes:
        file: Its name.
        meter: Instrument that it became.
        channels: Names of what its columns became.
        offset_s: What was added to its times [s]; None where its clock is the session's.
        offset_u_s: Expanded uncertainty of that, 95 % [s]; None where it was stated.
    """

    file: str
    meter: str
    channels: tuple[str, ...]
    offset_s: float | None
    offset_u_s: float | None


def read_imported_logs(path: Path, session: int) -> tuple[StoredLog, ...]:
    """Read which logs became part of a session, in the order in which they came.

    Raises:
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    with reading_store(path) as connection:
        if file_format(connection) < FORMAT:
            return ()
        rows = connection.execute(
            "SELECT detail_json FROM operations WHERE kind = ? AND session_id = ? ORDER BY id",
            (IMPORT, session),
        ).fetchall()
        with reading_record(f"a log of session {session}"):
            details = [json.loads(text) for (text,) in rows]
            return tuple(
                StoredLog(
                    file=str(detail["file"]),
                    meter=str(detail["meter"]),
                    channels=tuple(str(each["channel"]) for each in detail["columns"]),
                    offset_s=detail.get("offset_s"),
                    offset_u_s=detail.get("offset_expanded_uncertainty_s"),
                )
                for detail in details
            )


def typed_names(bench_text: str) -> set[str]:
    """Names of channels that an operator types, by a bench file that was checked when it was new."""
    with reading_record("the session's bench"):
        typed = tomllib.loads(bench_text).get("typed", [])
        return {str(each.get("name")) for each in typed}


@dataclass(frozen=True, slots=True)
class PlacedTrial:
    """A recorded trial on the session's own time.

    Attributes:
        recorded: As it was recorded.
        clock_id: That its times refer to.
        shift_s: What is added to its times to make them times of the session [s].
    """

    recorded: RecordedTrial
    clock_id: int
    shift_s: float

    @property
    def started_s(self) -> float:
        """Switch-on [s of the session]."""
        return self.recorded.result.started_s + self.shift_s

    @property
    def ended_s(self) -> float:
        """Switch-off [s of the session]."""
        return self.recorded.result.ended_s + self.shift_s


@dataclass(frozen=True, slots=True)
class PlacedSession:
    """A recorded session on its own time.

    Attributes:
        recorded: As it was recorded.
        started_utc_s: When it began [s since 1970].
        trials: Those that have ended, in order of time.
    """

    recorded: RecordedSession
    started_utc_s: float
    trials: tuple[PlacedTrial, ...]


@contextmanager
def replaying_with_logs(path: Path, *, keeping: bool) -> Iterator["ReplayWithLogs"]:
    """Open a store to go through its sessions again, imported channels among them.

    Args:
        path: Of the store.
        keeping: What comes out will be kept: nobody else may write meanwhile.

    Raises:
        StoreBusyError: If another program is writing it.
        StoreError: If the file is not there, not ours, too new or cannot be used; or too old and nothing is kept.
    """
    with opened_for_replay(path, keeping=keeping) as connection:
        yield ReplayWithLogs(connection, path)


class ReplayWithLogs(Replay):
    """What is asked of an open store."""

    def placed(self, number: int | None) -> PlacedSession:
        """A session with its trials that have ended; None: the newest that has trials.

        Raises:
            InputError: If there is no such session, or no trial of it has ended.
        """
        return self._placed(self.session(number))

    def _placed(self, recorded: RecordedSession) -> PlacedSession:
        (started_utc,) = self._connection.execute(
            "SELECT started_utc FROM sessions WHERE id = ?", (recorded.number,)
        ).fetchone()
        began_s = datetime.fromisoformat(started_utc).timestamp()
        shifts: dict[str, float] = {}
        trials = []
        for trial in recorded.trials:
            clock, boot, monotonic_s, utc_us, speed = self._connection.execute(
                "SELECT c.id, c.boot_id, c.monotonic_s, c.utc_us, c.speed FROM trials t"
                " JOIN clocks c ON c.id = t.clock_id WHERE t.id = ?",
                (trial.number,),
            ).fetchone()
            # One shift a boot: its monotonic clock is the same, whatever became of UTC meanwhile.
            shift_s = shifts.setdefault(
                boot, (utc_us / 1e6 - began_s) * speed - monotonic_s
            )
            if np.isfinite(trial.result.ended_s):
                trials.append(PlacedTrial(trial, clock, shift_s))
        if not trials:
            msg = f"{self._path}: session {recorded.number} has no trial that has ended"
            raise InputError(msg)
        return PlacedSession(recorded, began_s, tuple(trials))

    def logged(self, session: RecordedSession) -> dict[int, tuple[LoggedReadings, ...]]:
        """Every imported channel's readings of every trial that has ended, by number of the trial."""
        channels = self.imported_channels(session.number)
        if not channels:
            return {}
        placed, found = self._placed(session), {}
        for number, trial in enumerate(placed.trials):
            before = placed.trials[number - 1] if number else None
            ended_s = None
            if before is not None and before.shift_s == trial.shift_s:
                ended_s = before.recorded.result.ended_s
            idle = trial.recorded.result.idle or idle_window(
                trial.recorded.result.started_s, ended_s
            )
            found[trial.recorded.number] = tuple(
                self._logged(channel, trial, idle) for channel in channels
            )
        return found

    def own_channels(self, trial: RecordedTrial) -> tuple[Channel, ...]:
        """Channels described when a trial began, without those that only logs told."""
        own = set(recorded_channels(trial.rule_json or "{}"))
        imported = _journalled(self._connection, None) - own
        return tuple(c for c in self.channels(trial) if c.name not in imported)

    def imported_channels(self, session: int) -> tuple[Channel, ...]:
        """Channels that were added to a session after it was recorded, in order of their description."""
        names = imported_names(self._connection, session)
        rows = self._connection.execute(
            f"SELECT subtract_idle, {DESCRIPTION} FROM channels WHERE id IN"  # noqa: S608 - names of ours
            " (SELECT max(id) FROM channels WHERE name IN (SELECT value FROM json_each(?)) GROUP BY name) ORDER BY id",
            (json.dumps(sorted(names)),),
        ).fetchall()
        return tuple(
            channel_of(cells, subtract_idle=bool(zero)) for zero, *cells in rows
        )

    def keep(
        self,
        results: Mapping[int, TrialResult],
        *,
        session: int,
        software: str,
        rule_json: str,
        note: str,
    ) -> int:
        """Add an analysis, perhaps with imported channels in it; returns its number."""
        number = super().keep(
            results, session=session, software=software, rule_json=rule_json, note=note
        )
        # When the trials began the channels were not described yet: the averages name them all the same.
        for channel in self.imported_channels(session):
            self._connection.execute(
                "UPDATE averages SET channel_id = (SELECT max(id) FROM channels WHERE name = ?1 AND unit = ?2)"
                " WHERE analysis_id = ?3 AND channel = ?1",
                (channel.name, channel.unit, number),
            )
        return number

    # ---- inside

    def _logged(
        self, channel: Channel, trial: PlacedTrial, idle: Window | None
    ) -> LoggedReadings:
        table, column = self._connection.execute(
            "SELECT table_name, column_name FROM channels WHERE name = ? AND unit = ? AND instrument = ?",
            (channel.name, channel.unit, channel.instrument),
        ).fetchone()
        rows = self._connection.execute(
            f"SELECT at_s, {quoted(column)} FROM {quoted(table)}"  # noqa: S608 - names of ours
            f" WHERE trial_id = ? AND {quoted(column)} IS NOT NULL ORDER BY at_s, seq",
            (trial.recorded.number,),
        ).fetchall()
        zeros: list[float] = []
        if idle is not None and channel.subtract_idle:
            zeros = [
                value
                for (value,) in self._connection.execute(
                    f"SELECT r.{quoted(column)} FROM {quoted(table)} r JOIN clocks c ON c.id = r.clock_id"  # noqa: S608 - names of ours
                    f" WHERE c.boot_id = ? AND r.at_s BETWEEN ? AND ? AND r.{quoted(column)} IS NOT NULL"
                    " ORDER BY r.at_s, r.seq",
                    (trial.recorded.boot_id, idle.start_s, idle.end_s),
                )
            ]
        pairs = np.array(rows, dtype=np.float64).reshape(-1, 2)
        return LoggedReadings(channel, pairs[:, 0], pairs[:, 1], tuple(zeros))
