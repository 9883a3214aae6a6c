"""What operators change about trials that have ended, and the journal of what they asked for, as SQL on a connection.

A trial's own row always says what counts now; what it said before is kept beside it, with who changed it and why.
Every function runs inside a transaction that the writer opens and commits.
"""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

from daq.errors import StoreError
from daq.records import PlannedTrial, TrialState
from daq.runtime.store.layout import SqlValue, utc_text
from daq.runtime.store.resuming import parse_order
from daq.runtime.store.sessions import insert_message, render_order
from daq.runtime.store.taken_back import TAKE_BACK

INSERT_OPERATION = (
    "INSERT INTO operations (clock_id, session_id, at_s, way, kind, trial_id, detail_json)"
    " VALUES (?, ?, ?, ?, ?, ?, ?)"
)


def operation_values(
    kind: str,
    *,
    at_s: float,
    clock_id: int,
    session_id: int | None,
    way: str,
    trial_id: int | None,
    detail: Mapping[str, object],
) -> tuple[SqlValue, ...]:
    """Values of INSERT_OPERATION."""
    detail_json = json.dumps(dict(detail), ensure_ascii=False, allow_nan=False)
    return (clock_id, session_id, at_s, way, kind, trial_id, detail_json)


@dataclass(frozen=True, slots=True)
class Correction:
    """Why a trial is changed after it has ended.

    Attributes:
        reason: In the operator's words.
        way: How the operator said so.
        at_utc: When, RFC 3339.
        outbox: Topic and payload of the message that tells of it; None where nobody is told.
    """

    reason: str
    way: str
    at_utc: str
    outbox: tuple[str, str] | None


@dataclass(frozen=True, slots=True)
class ToldTrial:
    """How often a trial was changed after it had ended [1], and when it began and ended, RFC 3339."""

    corrections: int
    started_utc: str
    ended_utc: str


def told_trial(connection: sqlite3.Connection, number: int) -> ToldTrial:
    """What is told of an ended trial beside its result; each of its times by the clock that held then.

    Raises:
        StoreError: If there is no such trial, or it has not ended.
    """
    found = connection.execute(
        f"SELECT {utc_text('c', 't.started_s')}, {utc_text('e', 't.ended_s')}"  # noqa: S608 - constants
        " FROM trials t JOIN clocks c ON c.id = t.clock_id"
        # UTC may have been set while it ran.
        " JOIN clocks e ON e.id = (SELECT max(id) FROM clocks WHERE id = c.id OR"
        " (id > c.id AND boot_id = c.boot_id AND speed = c.speed AND monotonic_s <= t.ended_s))"
        " WHERE t.id = ? AND t.ended_s IS NOT NULL",
        (number,),
    ).fetchone()
    if found is None:
        msg = f"trial {number} has not ended"
        raise StoreError(msg)
    return ToldTrial(count_corrections(connection, number), *found)


@dataclass(frozen=True, slots=True)
class _EndedTrial:
    uuid: str
    session: int
    planned: PlannedTrial
    state: TrialState


def relabel_trial(
    connection: sqlite3.Connection,
    number: int,
    *,
    planned: PlannedTrial,
    correction: Correction,
) -> None:
    """Let a trial count for another line of the order, which is added where it is not there yet.

    Raises:
        StoreError: If there is no such trial, or it has not ended.
    """
    trial = _ended_trial(connection, number)
    before = trial.planned
    connection.execute(
        "INSERT INTO relabellings (trial_id, from_position, from_condition, from_repeat,"
        " from_baseline, to_position, to_condition, to_repeat, to_baseline, reason, way, at_utc)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            number,
            *_line_values(before),
            *_line_values(planned),
            correction.reason,
            correction.way,
            correction.at_utc,
        ),
    )
    connection.execute(
        "UPDATE trials SET position = ?, condition = ?, repeat = ?, baseline = ? WHERE id = ?",
        (*_line_values(planned), number),
    )
    words = f'relabelled from "{before.condition}" to "{planned.condition}"'
    _add_note(connection, number, f"{words}: {correction.reason}")
    _expect_in_order(connection, trial.session, planned)
    if correction.outbox:
        insert_message(connection, trial.uuid, correction.outbox)


def set_aside_trial(
    connection: sqlite3.Connection, number: int, *, correction: Correction
) -> None:
    """Let a trial count for nothing; its readings and averages stay.

    Raises:
        StoreError: If there is no such trial, it has not ended, or is set aside already.
    """
    trial = _ended_trial(connection, number)
    if trial.state is TrialState.SET_ASIDE:
        msg = f"trial {number} is set aside already"
        raise StoreError(msg)
    connection.execute(
        "INSERT INTO settings_aside (trial_id, reason, way, at_utc) VALUES (?, ?, ?, ?)",
        (number, correction.reason, correction.way, correction.at_utc),
    )
    connection.execute(
        "UPDATE trials SET state = ?, state_before = state WHERE id = ?",
        (TrialState.SET_ASIDE.value, number),
    )
    _add_note(connection, number, f"set aside: {correction.reason}")
    if correction.outbox:
        insert_message(connection, trial.uuid, correction.outbox)


def count_corrections(connection: sqlite3.Connection, number: int) -> int:
    """How many times a trial was changed after it had ended, or a typed reading of it was taken back."""
    (count,) = connection.execute(
        "SELECT (SELECT count(*) FROM relabellings WHERE trial_id = ?1)"
        " + (SELECT count(*) FROM settings_aside WHERE trial_id = ?1)"
        " + (SELECT count(*) FROM operations WHERE trial_id = ?1 AND kind = ?2)",
        (number, TAKE_BACK),
    ).fetchone()
    return int(count)


def _ended_trial(connection: sqlite3.Connection, number: int) -> _EndedTrial:
    found = connection.execute(
        "SELECT uuid, session_id, position, condition, repeat, baseline, state"
        " FROM trials WHERE id = ?",
        (number,),
    ).fetchone()
    if found is None:
        msg = f"there is no trial {number}"
        raise StoreError(msg)
    uuid, session, position, condition, repeat, baseline, state = found
    if state == TrialState.RUNNING:
        msg = f"trial {number} has not ended"
        raise StoreError(msg)
    planned = PlannedTrial(position, condition, repeat, bool(baseline))
    return _EndedTrial(uuid, session, planned, TrialState(state))


def _line_values(planned: PlannedTrial) -> tuple[SqlValue, ...]:
    return planned.position, planned.condition, planned.repeat, int(planned.baseline)


def _add_note(connection: sqlite3.Connection, number: int, text: str) -> None:
    connection.execute(
        "UPDATE trials SET note = iif(note = '', ?1, note || '; ' || ?1),"
        " added_note = iif(added_note = '', ?1, added_note || '; ' || ?1) WHERE id = ?2",
        (text, number),
    )


def _expect_in_order(
    connection: sqlite3.Connection, session: int, planned: PlannedTrial
) -> None:
    """No trial counts for a line that is not in the order, not even for a moment."""
    (order_json,) = connection.execute(
        "SELECT order_json FROM sessions WHERE id = ?", (session,)
    ).fetchone()
    order = parse_order(order_json)
    if planned.position not in {line.position for line in order}:
        connection.execute(
            "UPDATE sessions SET order_json = ? WHERE id = ?",
            (render_order([*order, planned]), session),
        )
