"""What is written of sessions, trials and the outbox, as SQL on an open connection.

Every function runs inside a transaction that the writer opens and commits. What is
written about a trial that has ended is written by one function, hence at once or not
at all; what was corrected since (corrections.py) stays. Knows no thread and no file.
"""

import json
import math
import sqlite3
from collections.abc import Collection, Sequence
from dataclasses import asdict
from typing import Literal

from daq.errors import StoreError
from daq.records import (
    PlannedTrial,
    SessionFacts,
    TrialResult,
    TrialState,
)
from daq.runtime.store.analyses import AverageRows, insert_averages
from daq.runtime.store.layout import SqlValue, quoted, utc_text
from daq.runtime.store.spans import reading_tables

SessionEnd = Literal["finished", "abandoned"]


INSERT_GAP = (
    "INSERT INTO gaps (id, clock_id, trial_id, at_s, instrument, reason, detail)"
    " VALUES (?, ?, ?, ?, ?, ?, ?)"
)
INSERT_EVENT = (
    "INSERT INTO events (clock_id, session_id, at_s, kind, text) VALUES (?, ?, ?, ?, ?)"
)
INSERT_CLOCK = "INSERT INTO clocks (id, boot_id, monotonic_s, utc_us, speed) VALUES (?, ?, ?, ?, ?)"


def insert_clock(
    connection: sqlite3.Connection,
    *,
    boot_id: str,
    monotonic_s: float,
    utc_us: int,
    speed: float,
    number: int | None = None,
) -> int:
    """Keep how the bench's clock and UTC stand to each other; returns its number, the next one if none is given."""
    values = (number, boot_id, monotonic_s, utc_us, speed)
    return _inserted(connection, INSERT_CLOCK, values)


def insert_session(
    connection: sqlite3.Connection,
    facts: SessionFacts,
    *,
    plan_digest: str,
    plan_text: str,
    bench_text: str,
    seed: int,
    order: Sequence[PlannedTrial],
) -> int:
    """Begin a session; returns its number, whatever number the facts carry."""
    return _inserted(
        connection,
        "INSERT INTO sessions (uuid, bench, plan, machine, started_utc, speed, software,"
        " plan_digest, plan_text, bench_text, seed, order_json, worked_on_utc)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            facts.session_id,
            facts.bench,
            facts.plan,
            facts.machine,
            facts.started_utc,
            facts.speed,
            facts.software,
            plan_digest,
            plan_text,
            bench_text,
            seed,
            render_order(order),
            facts.started_utc,
        ),
    )


def render_order(order: Sequence[PlannedTrial]) -> str:
    """The lines in the order in which they are called for, as they are stored."""
    return json.dumps([asdict(planned) for planned in order])


def close_session(
    connection: sqlite3.Connection, number: int, *, state: SessionEnd, ended_utc: str
) -> None:
    """End a session; one that has ended so already stays as it is.

    Raises:
        StoreError: If there is no such session, or it has ended otherwise.
    """
    changed = connection.execute(
        "UPDATE sessions SET state = ?1, ended_utc = coalesce(ended_utc, ?2)"
        " WHERE id = ?3 AND state IN ('open', ?1)",
        (state, ended_utc, number),
    )
    expect_one(changed, f"session {number} is not open")


def reopen_session(connection: sqlite3.Connection, number: int) -> None:
    """Let a finished session go on.

    Raises:
        StoreError: If there is no such session, or it is not finished.
    """
    changed = connection.execute(
        "UPDATE sessions SET state = 'open', ended_utc = NULL"
        " WHERE id = ? AND state = 'finished'",
        (number,),
    )
    expect_one(changed, f"session {number} is not finished")


def change_session(
    connection: sqlite3.Connection,
    number: int,
    *,
    order: Sequence[PlannedTrial],
    skipped: Collection[int],
    paused: bool,
) -> None:
    """Write what is to be done as it stands now.

    Raises:
        StoreError: If there is no such session.
    """
    changed = connection.execute(
        "UPDATE sessions SET order_json = ?, skipped_json = ?, paused = ? WHERE id = ?",
        (render_order(order), json.dumps(sorted(skipped)), int(paused), number),
    )
    expect_one(changed, f"there is no session {number}")


def touch_session(
    connection: sqlite3.Connection, number: int, worked_on_utc: str
) -> None:
    """Keep when a session was last worked on.

    Raises:
        StoreError: If there is no such session.
    """
    changed = connection.execute(
        "UPDATE sessions SET worked_on_utc = ? WHERE id = ?", (worked_on_utc, number)
    )
    expect_one(changed, f"there is no session {number}")


INSERT_TRIAL = (
    "INSERT INTO trials (id, uuid, session_id, position, condition, repeat, attempt,"
    " baseline, state, clock_id, started_s, first_reading, rule_json, newest_channel_id)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, (SELECT max(id) FROM channels))"
)


def trial_values(
    number: int,
    session: int,
    planned: PlannedTrial,
    *,
    attempt: int,
    uuid: str,
    clock_id: int,
    started_s: float,
    first_reading: int,
    rule_json: str | None,
) -> tuple[SqlValue, ...]:
    """Values of INSERT_TRIAL for a trial that begins."""
    return (
        number,
        uuid,
        session,
        planned.position,
        planned.condition,
        planned.repeat,
        attempt,
        int(planned.baseline),
        TrialState.RUNNING.value,
        clock_id,
        started_s,
        first_reading,
        rule_json,
    )


_FINISH_TRIAL = """UPDATE trials SET ended_s = :ended_s,
  window_start_s = :window_start_s, window_end_s = :window_end_s, rule_json = :rule_json,
  idle_start_s = :idle_start_s, idle_end_s = :idle_end_s, judged_before = :judged_before,
  state = iif(state = 'set aside', state, :state),
  state_before = iif(state = 'set aside' AND :state <> 'set aside', :state, state_before),
  note = CASE
    WHEN added_note = '' OR instr(:note, added_note) THEN :note
    WHEN :note = '' THEN added_note
    ELSE :note || '; ' || added_note END
  WHERE id = :number AND uuid = :uuid"""
"""What was corrected between a trial's outcome and its switching off outlasts the second writing."""

_WORKED_ON = f"""UPDATE sessions
  SET worked_on_utc = coalesce({utc_text("c", "t.ended_s")}, worked_on_utc)
  FROM trials t JOIN clocks c ON c.id = t.clock_id
  WHERE t.id = ? AND sessions.id = t.session_id"""  # noqa: S608 - constants


def finish_trial(
    connection: sqlite3.Connection,
    number: int,
    result: TrialResult,
    *,
    averages: Sequence[AverageRows],
    rule_json: str,
    judged_before: int | None,
    outbox: tuple[str, str] | None,
) -> None:
    """End a trial: its row, its averages and the message that tells of it.

    A trial is written when its outcome is known and once more when the machine is
    switched off; the later writing replaces the earlier.

    Args:
        connection: In a transaction.
        number: Of the trial.
        result: How it ended.
        averages: Made of the result by average_rows().
        rule_json: Parameters of the settling rule.
        judged_before: Number of the first reading that the rule was not given any more.
        outbox: Topic and payload of the message; None where nobody is told.

    Raises:
        StoreError: If that trial was never begun.
    """
    window = result.averages[0].window if result.averages else None
    changed = connection.execute(
        _FINISH_TRIAL,
        {
            "state": result.state.value,
            "ended_s": result.ended_s,
            "window_start_s": window and float(window.start_s),
            "window_end_s": window and float(window.end_s),
            "rule_json": rule_json,
            "note": result.note,
            "idle_start_s": result.idle and float(result.idle.start_s),
            "idle_end_s": result.idle and float(result.idle.end_s),
            "judged_before": judged_before,
            "number": number,
            "uuid": result.trial_id,
        },
    )
    expect_one(changed, f"trial {number} ({result.trial_id}) was not begun")
    connection.execute(_WORKED_ON, (number,))
    insert_averages(connection, number, averages)
    if outbox:
        insert_message(connection, result.trial_id, outbox)


def give_up_trial(connection: sqlite3.Connection, number: int, *, note: str) -> None:
    """Mark a trial unfinished that nobody ended; it ends with its last reading.

    Raises:
        StoreError: If that trial is not running.
    """
    last_s = [
        connection.execute(
            f"SELECT max(at_s) FROM {quoted(table)} WHERE trial_id = ?",  # noqa: S608 - a name of ours
            (number,),
        ).fetchone()[0]
        for table in reading_tables(connection)
    ]
    changed = connection.execute(
        "UPDATE trials SET state = ?1, ended_s = max(started_s, ?3),"
        " note = iif(note = '', ?2, note || '; ' || ?2) WHERE id = ?4 AND state = ?5",
        (
            TrialState.UNFINISHED.value,
            note,
            max((at_s for at_s in last_s if at_s is not None), default=-math.inf),
            number,
            TrialState.RUNNING.value,
        ),
    )
    expect_one(changed, f"trial {number} is not running")


def next_message(connection: sqlite3.Connection) -> tuple[int, str, str, str] | None:
    """Oldest message of the outbox: its number, the result's UUID, topic, payload."""
    found: tuple[int, str, str, str] | None = connection.execute(
        "SELECT id, result_id, topic, payload FROM outbox ORDER BY id LIMIT 1"
    ).fetchone()
    return found


def insert_message(
    connection: sqlite3.Connection, trial_id: str, message: tuple[str, str]
) -> None:
    """Put topic and payload of what is told of a trial (UUID) behind what waits to be sent."""
    connection.execute(
        "INSERT INTO outbox (result_id, topic, payload, created_utc)"
        " VALUES (?, ?, ?, strftime('%Y-%m-%dT%H:%M:%fZ', 'now'))",
        (trial_id, *message),
    )


def delete_message(connection: sqlite3.Connection, number: int) -> None:
    """Take a message that has been acknowledged out of the outbox."""
    connection.execute("DELETE FROM outbox WHERE id = ?", (number,))


def _inserted(
    connection: sqlite3.Connection, statement: str, values: Sequence[SqlValue]
) -> int:
    number = connection.execute(statement, values).lastrowid
    if number is None:
        msg = f"no row from {statement}"
        raise ValueError(msg)
    return number


def expect_one(changed: sqlite3.Cursor, otherwise: str) -> None:
    """Refuse a change that met no row.

    Raises:
        StoreError: With that text.
    """
    if changed.rowcount != 1:
        raise StoreError(otherwise)
