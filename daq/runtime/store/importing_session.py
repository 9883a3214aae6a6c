"""Writes a session that was made of logs alone, as a live one would have been written, in one transaction."""

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from daq.errors import InputError
from daq.logs.carried import CarriedTrial
from daq.records import Gap, PlannedTrial, Reading, SessionFacts
from daq.runtime.store import sessions
from daq.runtime.store.analyses import average_rows
from daq.runtime.store.imported import IMPORT
from daq.runtime.store.importing import (
    INSERT_GAP,
    ImportedLog,
    gap_values,
    write_journal,
)
from daq.runtime.store.layout import InstrumentTable
from daq.runtime.store.opening import (
    altering_store,
    check_file,
    prepare_store,
    reading_store,
)
from daq.runtime.store.schema import FORMAT
from daq.runtime.store.spans import (
    NextNumbers,
    close_dead_spans,
    close_span,
    next_numbers,
    open_span,
)


def expect_not_imported(path: Path, sha256: str) -> None:
    """Refuse to make a second session of one content.

    Raises:
        InputError: If some session of the store came from it.
        StoreError: If the file cannot be used.
    """
    if check_file(path) < FORMAT:
        # Earlier versions imported nothing.
        return
    with reading_store(path) as connection:
        found = connection.execute(
            "SELECT session_id FROM operations WHERE kind = ? AND json_extract(detail_json, '$.sha256') = ?",
            (IMPORT, sha256),
        ).fetchone()
    if found is not None:
        msg = f"{path}: session {found[0]} was imported from the same content already; nothing is imported twice, name another results file"
        raise InputError(msg)


@dataclass(frozen=True, slots=True)
class LoggedSession:
    """A session that was made of logs alone.

    Attributes:
        facts: What identifies it; the number is ignored.
        plan_digest: Of the plan.
        plan_text: The plan as it is.
        bench_text: The bench as it is; empty where there is none.
        order: Every line.
        trials: In order of time.
        readings: Of all instruments, on the session's time, never falling.
        gaps: Likewise.
        rule_json: What the trials were judged by.
        logs: Instruments with their channels and what the journal is told of them.
        began_utc_us: When the session's time was zero [us since 1970].
        clock: Name of its clock, as of a boot.
        ended_utc: Of a finished session, RFC 3339; None where lines are left to be done.
    """

    facts: SessionFacts
    plan_digest: str
    plan_text: str
    bench_text: str
    order: tuple[PlannedTrial, ...]
    trials: tuple[CarriedTrial, ...]
    readings: tuple[Reading, ...]
    gaps: tuple[Gap, ...]
    rule_json: str
    logs: tuple[ImportedLog, ...]
    began_utc_us: int
    clock: str
    ended_utc: str | None


def add_session(path: Path, logged: LoggedSession) -> int:
    """Write a session into a store, which is made if it is not there; returns its number.

    Raises:
        StoreBusyError: If another program is writing it.
        StoreError: If it is not ours, or cannot be made or written.
    """
    tables = prepare_store(
        path, {each.instrument: each.channels for each in logged.logs}
    )
    with altering_store(path) as connection:
        close_dead_spans(connection)
        return _add_session(connection, logged, tables)


def _add_session(
    connection: sqlite3.Connection,
    logged: LoggedSession,
    tables: Mapping[str, InstrumentTable | None],
) -> int:
    clock = sessions.insert_clock(
        connection,
        boot_id=logged.clock,
        monotonic_s=0.0,
        utc_us=logged.began_utc_us,
        speed=1.0,
    )
    number = sessions.insert_session(
        connection,
        logged.facts,
        plan_digest=logged.plan_digest,
        plan_text=logged.plan_text,
        bench_text=logged.bench_text,
        seed=0,
        order=logged.order,
    )
    before = next_numbers(connection)
    open_span(connection, number, next_reading=before.reading, next_gap=before.gap)
    writing = _Writing(connection, logged, number, clock, before)
    writing.begin_trials()
    writing.add_readings(tables)
    writing.finish_trials()
    after = next_numbers(connection)
    close_span(connection, number, next_reading=after.reading, next_gap=after.gap)
    at_s = logged.readings[-1].at_s
    for log in logged.logs:
        write_journal(connection, number, log, clock_id=clock, at_s=at_s)
    if logged.ended_utc is not None:
        sessions.close_session(
            connection, number, state="finished", ended_utc=logged.ended_utc
        )
    return number


@dataclass(frozen=True, slots=True)
class _Writing:
    """A session on its way into the store; trials and readings are numbered from `before` on."""

    connection: sqlite3.Connection
    logged: LoggedSession
    session: int
    clock: int
    before: NextNumbers

    def begin_trials(self) -> None:
        for number, trial in enumerate(self.logged.trials, self.before.trial):
            values = sessions.trial_values(
                number,
                self.session,
                trial.result.planned,
                attempt=trial.result.attempt,
                uuid=trial.result.trial_id,
                clock_id=self.clock,
                started_s=trial.result.started_s,
                first_reading=self.before.reading + trial.first,
                rule_json=self.logged.rule_json,
            )
            self.connection.execute(sessions.INSERT_TRIAL, values)

    def add_readings(self, tables: Mapping[str, InstrumentTable | None]) -> None:
        labels = {
            position: number
            for number, trial in enumerate(self.logged.trials, self.before.trial)
            for position in range(trial.first, trial.end)
        }
        for position, reading in enumerate(self.logged.readings):
            table = tables[reading.instrument]
            if table is not None:
                seq, trial = self.before.reading + position, labels.get(position)
                own = (seq, self.clock, trial, reading.at_s, reading.flags)
                self.connection.execute(table.insert, own + table.pick(reading.values))
        for number, gap in enumerate(self.logged.gaps, self.before.gap):
            trial = self._trial_at(gap.at_s)
            values = gap_values(number, self.clock, trial, gap, shift_s=0.0)
            self.connection.execute(INSERT_GAP, values)

    def _trial_at(self, at_s: float) -> int | None:
        trials = enumerate(self.logged.trials, self.before.trial)
        return next(
            (n for n, t in trials if t.result.started_s <= at_s <= t.result.ended_s),
            None,
        )

    def finish_trials(self) -> None:
        for number, trial in enumerate(self.logged.trials, self.before.trial):
            judged = trial.judged_end
            sessions.finish_trial(
                self.connection,
                number,
                trial.result,
                averages=average_rows(trial.result),
                rule_json=self.logged.rule_json,
                judged_before=None if judged is None else self.before.reading + judged,
                outbox=None,
            )
