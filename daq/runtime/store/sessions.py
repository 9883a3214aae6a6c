"""What is asked of the sessions, trials and the outbox, as SQL on an open connection.

Every function runs inside a transaction that the writer opens and commits. What is
written about a trial that has ended is written by one function, hence at once or not
at all. Knows no thread and no file.
"""

import json
import math
import sqlite3
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Literal

from daq.errors import StoreError
from daq.records import (
    PlannedTrial,
    SessionFacts,
    TrialResult,
    TrialState,
    Window,
)
from daq.runtime.store.analyses import AverageRows, averages_of, insert_averages
from daq.runtime.store.layout import SqlValue, quoted

SessionEnd = Literal["finished", "abandoned"]


@dataclass(frozen=True, slots=True)
class RunningTrial:
    """A trial that was begun and has not ended, perhaps because the program was killed.

    Attributes:
        number: Of the trial in its store.
        trial_id: UUID.
        planned: The line of the order it belongs to.
        attempt: [1] for the how-manieth time it was asked for.
        started_s: Switch-on [s], on the clock of the boot in which it began.
    """

    number: int
    trial_id: str
    planned: PlannedTrial
    attempt: int
    started_s: float


@dataclass(frozen=True, slots=True)
class StoredSession:
    """A session that has not been ended, with all that is needed to resume it.

    Attributes:
        facts: What identifies it.
        plan_digest: Tells whether the plan has changed since.
        plan_text: The plan as it was.
        bench_text: The bench as it was.
        seed: Of the order.
        order: The planned trials.
        ended: Trials that have ended, oldest first, of whatever state.
        running: Trials that were never ended.
    """

    facts: SessionFacts
    plan_digest: str
    plan_text: str
    bench_text: str
    seed: int
    order: tuple[PlannedTrial, ...]
    ended: tuple[TrialResult, ...]
    running: tuple[RunningTrial, ...]


def insert_clock(
    connection: sqlite3.Connection,
    *,
    boot_id: str,
    monotonic_s: float,
    utc_us: int,
    speed: float,
) -> int:
    """Keep how the bench's clock and UTC stand to each other; returns its number."""
    return _inserted(
        connection,
        "INSERT INTO clocks (boot_id, monotonic_s, utc_us, speed) VALUES (?, ?, ?, ?)",
        (boot_id, monotonic_s, utc_us, speed),
    )


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
        " plan_digest, plan_text, bench_text, seed, order_json)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
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
            json.dumps([asdict(planned) for planned in order]),
        ),
    )


def close_session(
    connection: sqlite3.Connection, number: int, *, state: SessionEnd, ended_utc: str
) -> None:
    """End a session.

    Raises:
        StoreError: If there is no such session, or it has ended.
    """
    changed = connection.execute(
        "UPDATE sessions SET state = ?, ended_utc = ? WHERE id = ? AND state = 'open'",
        (state, ended_utc, number),
    )
    _expect_one(changed, f"session {number} is not open")


def find_open_session(
    connection: sqlite3.Connection, plan: str
) -> StoredSession | None:
    """Find the newest session of a plan that has not been ended."""
    found = connection.execute(
        "SELECT uuid, id, bench, plan, machine, started_utc, speed, software,"
        " plan_digest, plan_text, bench_text, seed, order_json FROM sessions"
        " WHERE plan = ? AND state = 'open' ORDER BY id DESC LIMIT 1",
        (plan,),
    ).fetchone()
    if found is None:
        return None
    facts = SessionFacts(*found[:8])
    plan_digest, plan_text, bench_text, seed, order_json = found[8:]
    ended, running = _trials_of(connection, facts.number)
    return StoredSession(
        facts=facts,
        plan_digest=plan_digest,
        plan_text=plan_text,
        bench_text=bench_text,
        seed=seed,
        order=tuple(PlannedTrial(**line) for line in json.loads(order_json)),
        ended=ended,
        running=running,
    )


def _trials_of(
    connection: sqlite3.Connection, session: int
) -> tuple[tuple[TrialResult, ...], tuple[RunningTrial, ...]]:
    rows = connection.execute(
        "SELECT id, uuid, position, condition, repeat, baseline, attempt, started_s,"
        " state, ended_s, note, idle_start_s, idle_end_s"
        " FROM trials WHERE session_id = ? ORDER BY id",
        (session,),
    ).fetchall()
    ended: list[TrialResult] = []
    running: list[RunningTrial] = []
    for number, uuid, position, condition, repeat, baseline, *rest in rows:
        planned = PlannedTrial(position, condition, repeat, bool(baseline))
        attempt, started_s, state, ended_s, note, idle_start_s, idle_end_s = rest
        if state == TrialState.RUNNING:
            running.append(RunningTrial(number, uuid, planned, attempt, started_s))
            continue
        ended.append(
            TrialResult(
                trial_id=uuid,
                planned=planned,
                attempt=attempt,
                state=TrialState(state),
                started_s=started_s,
                ended_s=ended_s,
                averages=averages_of(connection, number),
                note=note,
                idle=None if idle_start_s is None else Window(idle_start_s, idle_end_s),
            )
        )
    return tuple(ended), tuple(running)


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


def next_trial_number(connection: sqlite3.Connection) -> int:
    """Number for the next trial that begins."""
    (last,) = connection.execute("SELECT max(id) FROM trials").fetchone()
    return 1 if last is None else int(last) + 1


def next_reading_number(connection: sqlite3.Connection) -> int:
    """Number for the next reading of whatever instrument."""
    tables = connection.execute("SELECT DISTINCT table_name FROM channels").fetchall()
    last = [
        connection.execute(f"SELECT max(seq) FROM {quoted(table)}").fetchone()[0]  # noqa: S608 - a name of ours
        for (table,) in tables
    ]
    return max((int(seq) for seq in last if seq is not None), default=0) + 1


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
        "UPDATE trials SET state = ?, ended_s = ?, window_start_s = ?,"
        " window_end_s = ?, rule_json = ?, note = ?,"
        " idle_start_s = ?, idle_end_s = ?, judged_before = ?"
        " WHERE id = ? AND uuid = ?",
        (
            result.state.value,
            result.ended_s,
            window and float(window.start_s),
            window and float(window.end_s),
            rule_json,
            result.note,
            result.idle and float(result.idle.start_s),
            result.idle and float(result.idle.end_s),
            judged_before,
            number,
            result.trial_id,
        ),
    )
    _expect_one(changed, f"trial {number} ({result.trial_id}) was not begun")
    insert_averages(connection, number, averages)
    if outbox:
        connection.execute(
            "INSERT INTO outbox (result_id, topic, payload, created_utc)"
            " VALUES (?, ?, ?, strftime('%Y-%m-%dT%H:%M:%fZ', 'now'))",
            (result.trial_id, *outbox),
        )


def give_up_trial(connection: sqlite3.Connection, number: int, *, note: str) -> None:
    """Mark a trial unfinished that nobody ended; it ends with its last reading.

    Raises:
        StoreError: If that trial is not running.
    """
    tables = connection.execute("SELECT DISTINCT table_name FROM channels").fetchall()
    last_s = [
        connection.execute(
            f"SELECT max(at_s) FROM {quoted(table)} WHERE trial_id = ?",  # noqa: S608 - a name of ours
            (number,),
        ).fetchone()[0]
        for (table,) in tables
    ]
    changed = connection.execute(
        "UPDATE trials SET state = ?, note = ?, ended_s = max(started_s, ?)"
        " WHERE id = ? AND state = ?",
        (
            TrialState.UNFINISHED.value,
            note,
            max((at_s for at_s in last_s if at_s is not None), default=-math.inf),
            number,
            TrialState.RUNNING.value,
        ),
    )
    _expect_one(changed, f"trial {number} is not running")


def next_message(connection: sqlite3.Connection) -> tuple[int, str, str, str] | None:
    """Oldest message of the outbox: its number, the result's UUID, topic, payload."""
    found: tuple[int, str, str, str] | None = connection.execute(
        "SELECT id, result_id, topic, payload FROM outbox ORDER BY id LIMIT 1"
    ).fetchone()
    return found


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


def _expect_one(changed: sqlite3.Cursor, otherwise: str) -> None:
    if changed.rowcount != 1:
        raise StoreError(otherwise)
