"""Sessions that have not been ended, with all that is needed to go on, as SQL on an open connection.

Every function runs inside a transaction that the writer opens and commits.
"""

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from daq.records import (
    PlannedTrial,
    SessionFacts,
    TrialResult,
    TrialState,
    Window,
)
from daq.runtime.store.analyses import averages_of
from daq.runtime.store.spoilt import reading_record

_NOT_DONE = frozenset({TrialState.RUNNING, TrialState.UNFINISHED, TrialState.SET_ASIDE})
"""Trials after which their line is called for still."""


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
        order: The planned trials, in the order in which they are called for.
        ended: Trials that have ended, oldest first, of whatever state.
        running: Trials that were never ended.
        skipped: Positions of the lines that are left out.
        paused: Whether it was left while paused.
        worked_on_utc: When it was last worked on, RFC 3339.
        numbers: Numbers of the trials in the store, by their UUID.
    """

    facts: SessionFacts
    plan_digest: str
    plan_text: str
    bench_text: str
    seed: int
    order: tuple[PlannedTrial, ...]
    ended: tuple[TrialResult, ...]
    running: tuple[RunningTrial, ...]
    skipped: frozenset[int]
    paused: bool
    worked_on_utc: str
    numbers: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class OpenSession:
    """How far a session is that has not been ended.

    Attributes:
        number: Of the session in its store.
        plan: Its name.
        done: Lines of the order with a trial that counts.
        total: Lines of the order.
        worked_on_utc: When it was last worked on, RFC 3339.
    """

    number: int
    plan: str
    done: int
    total: int
    worked_on_utc: str


_SESSION = (
    "SELECT uuid, id, bench, plan, machine, started_utc, speed, software,"
    " plan_digest, plan_text, bench_text, seed, order_json, skipped_json, paused,"
    " worked_on_utc FROM sessions"
)


def find_open_session(
    connection: sqlite3.Connection, plan: str
) -> StoredSession | None:
    """Find the newest session of a plan that has not been ended."""
    where = "WHERE plan = ? AND state = 'open' ORDER BY id DESC LIMIT 1"
    found = connection.execute(f"{_SESSION} {where}", (plan,)).fetchone()
    return None if found is None else _stored(connection, found)


def find_session(connection: sqlite3.Connection, number: int) -> StoredSession | None:
    """Find a session by its number, ended or not."""
    found = connection.execute(f"{_SESSION} WHERE id = ?", (number,)).fetchone()
    return None if found is None else _stored(connection, found)


def _stored(connection: sqlite3.Connection, found: Sequence[Any]) -> StoredSession:
    facts = SessionFacts(*found[:8])
    plan_digest, plan_text, bench_text, seed, order, skipped, paused, worked_on_utc = (
        found[8:]
    )
    ended, running, numbers = _trials_of(connection, facts.number)
    return StoredSession(
        facts=facts,
        plan_digest=plan_digest,
        plan_text=plan_text,
        bench_text=bench_text,
        seed=seed,
        order=parse_order(order),
        ended=ended,
        running=running,
        skipped=parse_skipped(skipped),
        paused=bool(paused),
        worked_on_utc=worked_on_utc,
        numbers=numbers,
    )


def parse_order(order_json: str) -> tuple[PlannedTrial, ...]:
    """The lines of the order as they were stored.

    Raises:
        RecordSpoiltError: If they are none any more.
    """
    with reading_record("the session's order"):
        return tuple(PlannedTrial(**line) for line in json.loads(order_json))


def parse_skipped(skipped_json: str) -> frozenset[int]:
    """Positions of the lines that are left out; exceptions as of parse_order()."""
    with reading_record("the session's order"):
        return frozenset(json.loads(skipped_json))


def _trials_of(
    connection: sqlite3.Connection, session: int
) -> tuple[tuple[TrialResult, ...], tuple[RunningTrial, ...], dict[str, int]]:
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
    numbers = {row[1]: row[0] for row in rows}
    return tuple(ended), tuple(running), numbers


def list_open_sessions(connection: sqlite3.Connection) -> list[OpenSession]:
    """Sessions that have not been ended, oldest first."""
    rows = connection.execute(
        "SELECT id, plan, order_json, worked_on_utc FROM sessions"
        " WHERE state = 'open' ORDER BY id"
    ).fetchall()
    return [_open_session(connection, *row) for row in rows]


def _open_session(
    connection: sqlite3.Connection,
    number: int,
    plan: str,
    order_json: str,
    worked_on_utc: str,
) -> OpenSession:
    counting = {
        position
        for position, state in connection.execute(
            "SELECT position, state FROM trials WHERE session_id = ?", (number,)
        )
        if TrialState(state) not in _NOT_DONE
    }
    lines = {line.position for line in parse_order(order_json)}
    done = len(lines & counting)
    return OpenSession(number, plan, done, len(lines), worked_on_utc)


def find_session_in_service(connection: sqlite3.Connection) -> StoredSession | None:
    """The session that was in hand when the program ended, however it ended: the newest that was started and not stopped."""
    newest = connection.execute(
        "SELECT kind, session_id FROM operations WHERE kind IN ('start', 'stop')"
        " ORDER BY id DESC LIMIT 1"
    ).fetchone()
    if newest is None or newest[0] != "start":
        return None
    found = connection.execute(
        f"{_SESSION} WHERE id = ? AND state <> 'abandoned'",
        (newest[1],),
    ).fetchone()
    return None if found is None else _stored(connection, found)


@dataclass(frozen=True, slots=True)
class LastSession:
    """The session that was in hand last, as far as it tells of the machine.

    Attributes:
        number: Of the session in its store.
        plan_text: The plan as it was.
        is_machine_on: The last that is known of the machine is that it ran.
    """

    number: int
    plan_text: str
    is_machine_on: bool


MACHINE_ON = "machine_on"
"""Key in the journal's details: the machine runs after that, as far as anybody knows."""

MACHINE = "machine"
"""Kind of what the service itself adds to the journal: that is known of the machine now which no operator said."""


def find_last_session(connection: sqlite3.Connection) -> LastSession | None:
    """Find the session that was started or stopped last, or last had its machine switched; None where none was."""
    told = connection.execute(
        "SELECT kind, session_id, detail_json FROM operations"
        " WHERE kind IN ('start', 'stop', 'switched', ?) ORDER BY id DESC LIMIT 1",
        (MACHINE,),
    ).fetchone()
    found = connection.execute(
        "SELECT s.id, s.plan_text FROM operations o JOIN sessions s ON s.id = o.session_id"
        " WHERE o.kind IN ('start', 'stop', ?) ORDER BY o.id DESC LIMIT 1",
        (MACHINE,),
    ).fetchone()
    if told is None or found is None:
        return None
    number, plan_text = found
    cut_off = connection.execute(
        "SELECT 1 FROM trials WHERE session_id = ? AND state = ?",
        (number, TrialState.RUNNING),
    ).fetchone()
    kind, session, detail_json = told
    # The operator's word without a session, and what the service saw last, came after all that.
    is_cut_off = cut_off is not None and session is not None and kind != MACHINE
    return LastSession(number, plan_text, is_cut_off or _is_told_on(detail_json))


def _is_told_on(detail_json: str) -> bool:
    """What a spoilt record says is not known."""
    try:
        detail = json.loads(detail_json)
    except ValueError:
        return False
    return isinstance(detail, dict) and detail.get(MACHINE_ON) is True
