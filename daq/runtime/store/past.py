"""Reads a session as it is looked at after the fact: its order, trials, events, and a trial's readings. Read-only, any format.

States are texts here, so that a file may hold some that this version does not give. Readings come page by page, as in
reading.py. Judges nothing and draws nothing.
"""

import datetime
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.records import Channel, PlannedTrial, TrialState, Window
from daq.runtime.clock import rfc3339
from daq.runtime.store.described import DESCRIPTION, channel_of
from daq.runtime.store.layout import quoted, utc_text
from daq.runtime.store.opening import reading_store
from daq.runtime.store.resuming import parse_order, parse_skipped
from daq.trials.session import Occurrence
from daq.trials.stages import Happening, Stage
from daq.wording import occurrence_text

_RUN_UP_OVER = occurrence_text(
    Occurrence(Stage.SETTLING, Happening.RUN_UP_OVER, 0.0, None)
)
"""How the line of the events ends that tells of it, whatever the condition was called then."""
_POLLS = (
    "CASE WHEN detail GLOB '[1-9]* poll* due*' THEN CAST(detail AS INTEGER) ELSE 1 END"
)
"""How many polls a gap stands for [1]: the poller's detail begins with their number, where there may be several."""


@dataclass(frozen=True, slots=True)
class PastAverage:
    """One channel's average in one trial [unit]; `required`: the trial waited for the channel."""

    channel: str
    mean: float
    expanded_uncertainty: float
    unit: str
    required: bool


@dataclass(frozen=True, slots=True)
class PastTrial:
    """A trial as it is stored.

    Attributes:
        number: Of the trial in its store.
        planned: The line of the order that it counts for.
        attempt: [1] for the how-manieth time the line was asked for.
        state: As stored; "unfinished" where the session was ended without ending it.
        started_s: Switch-on [s], on the clock of the boot in which it began, as are all its times.
        ended_s: [s]; None while it runs.
        started_utc: RFC 3339.
        run_up_end_s: [s]; None where no event tells.
        window: What was averaged; None where nothing was.
        note: Why it ended as it did.
        averages: As it was averaged live; those without a finite uncertainty are not there.
    """

    number: int
    planned: PlannedTrial
    attempt: int
    state: str
    started_s: float
    ended_s: float | None
    started_utc: str
    run_up_end_s: float | None
    window: Window | None
    note: str
    averages: tuple[PastAverage, ...]


@dataclass(frozen=True, slots=True)
class PastEvent:
    """Something that happened."""

    utc: str
    at_s: float
    text: str
    boot_id: str


@dataclass(frozen=True, slots=True)
class InstrumentCounts:
    """Readings, and readings that did not come, of one instrument in a session's trials."""

    instrument: str
    readings: int
    gaps: int


@dataclass(frozen=True, slots=True)
class PastSession:
    """A session as it is stored.

    Attributes:
        number: Of the session in its store.
        bench, plan, machine: Names.
        plan_text, bench_text: The files as they were.
        speed: [1] bench seconds a real second.
        started_utc: RFC 3339.
        state: "open", "finished" or "abandoned".
        end_s, end_utc: When it was ended, or what is known of it last: bench time [s] and RFC 3339.
        order: Lines in the order in which they are called for.
        skipped: Positions of the lines that are left out.
        trials: In the order they were carried out.
        channels: As they were described when its newest trial began, with those of earlier benches.
        events: Oldest first.
        counts: By instrument.
    """

    number: int
    bench: str
    plan: str
    machine: str
    plan_text: str
    bench_text: str
    speed: float
    started_utc: str
    state: str
    end_s: float
    end_utc: str
    order: tuple[PlannedTrial, ...]
    skipped: frozenset[int]
    trials: tuple[PastTrial, ...]
    channels: tuple[Channel, ...]
    events: tuple[PastEvent, ...]
    counts: tuple[InstrumentCounts, ...]


@dataclass(frozen=True, slots=True)
class TrialStamp:
    """All of a trial that a later change of what it counts for would change."""

    session: int
    trial_id: str
    position: int
    condition: str
    attempt: int
    state: str
    ended_s: float | None


def read_past_session(path: Path, number: int) -> PastSession | None:
    """Read a session; None where there is none of that number.

    Raises:
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    with reading_store(path) as connection:
        # One moment for all of it, while the daemon writes; it lasts some milliseconds.
        connection.execute("BEGIN")
        found = first_row(connection, "SELECT * FROM sessions WHERE id = ?", number)
        return None if found is None else _session(connection, number, found)


def read_comparison_stamp(path: Path, session: int) -> tuple[TrialStamp, ...]:
    """What a session's comparison depends on: its trials and those before it of the same machine, as they are now.

    Raises:
        StoreError: As for read_past_session().
    """
    with reading_store(path) as connection:
        rows = connection.execute(
            "SELECT s.id, t.uuid, t.position, t.condition, t.attempt, t.state, t.ended_s"
            " FROM trials t JOIN sessions s ON s.id = t.session_id"
            " WHERE s.id <= ? AND s.machine = (SELECT machine FROM sessions WHERE id = ?)"
            " ORDER BY t.id",
            (session, session),
        )
        return tuple(TrialStamp(*row) for row in rows)


# ---- a session


def _session(
    connection: sqlite3.Connection, number: int, found: Mapping[str, Any]
) -> PastSession:
    events = _events(connection, number)
    trials = _trials(connection, number, events, is_over=found["state"] != "open")
    end_s, end_utc = _end(connection, number, found)
    return PastSession(
        number=number,
        bench=found["bench"],
        plan=found["plan"],
        machine=found["machine"],
        plan_text=found["plan_text"],
        bench_text=found["bench_text"],
        speed=found["speed"],
        started_utc=found["started_utc"],
        state=found["state"],
        end_s=end_s,
        end_utc=end_utc,
        order=parse_order(found["order_json"]),
        # Earlier formats knew no lines that are left out.
        skipped=parse_skipped(found.get("skipped_json") or "[]"),
        trials=trials,
        channels=_channels(connection, number),
        events=events,
        counts=_counts(connection, number),
    )


def _trials(
    connection: sqlite3.Connection,
    session: int,
    events: Sequence[PastEvent],
    *,
    is_over: bool,
) -> tuple[PastTrial, ...]:
    averages = _averages(connection, session)
    rows = _dicts(
        connection,
        f"SELECT t.*, {utc_text('c', 't.started_s')} AS started_utc, c.boot_id"  # noqa: S608 - names of ours
        " FROM trials t JOIN clocks c ON c.id = t.clock_id"
        " WHERE t.session_id = ? ORDER BY t.id",
        session,
    )
    return tuple(
        PastTrial(
            number=row["id"],
            planned=PlannedTrial(
                row["position"],
                row["condition"],
                row["repeat"],
                bool(row["baseline"]),
            ),
            attempt=row["attempt"],
            state=_state(row["state"], is_over=is_over),
            started_s=row["started_s"],
            ended_s=row["ended_s"],
            started_utc=row["started_utc"],
            run_up_end_s=_run_up_end_s(row, events),
            window=window_of(row),
            note=row["note"],
            averages=tuple(averages.get(row["id"], ())),
        )
        for row in rows
    )


def _state(stored: str, *, is_over: bool) -> str:
    # The program was killed and the session never taken up again: nothing runs any more.
    was_left = is_over and stored == TrialState.RUNNING
    return TrialState.UNFINISHED.value if was_left else stored


def _run_up_end_s(
    trial: Mapping[str, Any], events: Sequence[PastEvent]
) -> float | None:
    ended_s = trial["ended_s"]
    told = (
        event.at_s
        for event in events
        if event.text.endswith(_RUN_UP_OVER)
        and event.boot_id == trial["boot_id"]
        and event.at_s >= trial["started_s"]
        and (ended_s is None or event.at_s <= ended_s)
    )
    return min(told, default=None)


def _averages(
    connection: sqlite3.Connection, session: int
) -> dict[int, list[PastAverage]]:
    rows = connection.execute(
        "SELECT trial, channel, mean, expanded_uncertainty, unit, required"
        " FROM trial_averages WHERE session = ? AND expanded_uncertainty IS NOT NULL",
        (session,),
    )
    found: dict[int, list[PastAverage]] = {}
    for trial, channel, mean, expanded, unit, required in rows:
        average = PastAverage(channel, mean, expanded, unit, bool(required))
        found.setdefault(trial, []).append(average)
    return found


def _events(connection: sqlite3.Connection, session: int) -> tuple[PastEvent, ...]:
    rows = connection.execute(
        f"SELECT {utc_text('c', 'e.at_s')}, e.at_s, e.text, c.boot_id"  # noqa: S608 - names of ours
        " FROM events e JOIN clocks c ON c.id = e.clock_id"
        " WHERE e.session_id = ? ORDER BY e.id",
        (session,),
    )
    return tuple(PastEvent(*row) for row in rows)


def _channels(connection: sqlite3.Connection, session: int) -> tuple[Channel, ...]:
    newest = first_row(
        connection,
        "SELECT * FROM trials WHERE session_id = ? ORDER BY id DESC",
        session,
    )
    rows = connection.execute(
        f"SELECT {DESCRIPTION} FROM channels WHERE id IN"  # noqa: S608 - names of ours
        " (SELECT max(id) FROM channels WHERE id <= coalesce(?, id) GROUP BY name)"
        " ORDER BY id",
        ((newest or {}).get("newest_channel_id"),),
    )
    return tuple(map(channel_of, rows))


def _counts(
    connection: sqlite3.Connection, session: int
) -> tuple[InstrumentCounts, ...]:
    trials = "trial_id IN (SELECT id FROM trials WHERE session_id = ?)"
    gaps = dict(
        connection.execute(
            f"SELECT instrument, sum({_POLLS}) FROM gaps WHERE {trials} GROUP BY instrument",  # noqa: S608 - names of ours
            (session,),
        ).fetchall()
    )
    return tuple(
        InstrumentCounts(
            instrument,
            connection.execute(
                f"SELECT count(*) FROM {quoted(table)} WHERE {trials}",  # noqa: S608 - names of ours
                (session,),
            ).fetchone()[0],
            gaps.get(instrument, 0),
        )
        for instrument, table, _ in tables_of(connection, None)
    )


def _end(
    connection: sqlite3.Connection, session: int, found: Mapping[str, Any]
) -> tuple[float, str]:
    """When it was ended, else what is known of it last, else when it began: bench time [s] and UTC."""
    told = found["ended_utc"]
    at_us = _utc_us(told) if told else _last_us(connection, session)
    at_us = _utc_us(found["started_utc"]) if at_us is None else at_us
    clock = connection.execute(
        "SELECT monotonic_s, utc_us, speed FROM clocks WHERE utc_us <= ?"
        " ORDER BY id DESC LIMIT 1",
        (at_us,),
    ).fetchone()
    if clock is None:
        return 0.0, rfc3339(at_us)
    monotonic_s, utc_us, speed = clock
    return monotonic_s + (at_us - utc_us) / 1e6 * speed, rfc3339(at_us)


def _last_us(connection: sqlite3.Connection, session: int) -> int | None:
    """UTC of the session's newest event, switch-on or switch-off [us since 1970]."""
    (last,) = connection.execute(
        "SELECT max(c.utc_us + (x.at_s - c.monotonic_s) / c.speed * 1e6) FROM"
        " (SELECT clock_id, at_s FROM events WHERE session_id = :session"
        "  UNION ALL SELECT clock_id, coalesce(ended_s, started_s) FROM trials"
        "  WHERE session_id = :session) x JOIN clocks c ON c.id = x.clock_id",
        {"session": session},
    ).fetchone()
    return None if last is None else round(last)


def _utc_us(text: str) -> int:
    return round(datetime.datetime.fromisoformat(text).timestamp() * 1e6)


def tables_of(
    connection: sqlite3.Connection, newest_channel_id: int | None
) -> list[tuple[str, str, dict[str, str]]]:
    """Instrument, its table, and its columns by channel, as they were described last or up to a row of `channels`."""
    rows = connection.execute(
        "SELECT instrument, table_name, name, column_name FROM channels WHERE id IN"
        " (SELECT max(id) FROM channels WHERE id <= coalesce(?, id) GROUP BY name)"
        " ORDER BY id",
        (newest_channel_id,),
    )
    found: dict[tuple[str, str], dict[str, str]] = {}
    for instrument, table, name, column in rows:
        found.setdefault((instrument, table), {})[name] = column
    return [(*place, columns) for place, columns in found.items()]


# ---- rows


def window_of(trial: Mapping[str, Any]) -> Window | None:
    """What was averaged of a trial, from its row; None where nothing was."""
    start_s, end_s = trial["window_start_s"], trial["window_end_s"]
    return None if start_s is None else Window(start_s, end_s)


def _dicts(
    connection: sqlite3.Connection, statement: str, *values: object
) -> list[dict[str, Any]]:
    """Rows by name of the column: files of an earlier format lack some."""
    found = connection.execute(statement, values)
    names = [column[0] for column in found.description]
    return [dict(zip(names, row, strict=True)) for row in found]


def first_row(
    connection: sqlite3.Connection, statement: str, *values: object
) -> dict[str, Any] | None:
    """The first row by name of the column; None where there is none. The statement must not limit them itself."""
    try:
        return next(iter(_dicts(connection, f"{statement} LIMIT 1", *values)), None)
    except OverflowError:
        # A number larger than any that SQLite holds: whoever asks from outside may name one.
        return None
