"""Reads each trial's readings of the channels it waited for, to be drawn; read-only, as reading.py. Any format.

A trial's readings are fetched at once: what is drawn is thinned by whoever draws it.
"""

import json
import math
import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daq.export import StoredTrial
from daq.records import Channel
from daq.report.content import ChannelTrace, TrialTrace
from daq.runtime.store.budgets import AverageBudget, TrialBudgets
from daq.runtime.store.described import DESCRIPTION, channel_of
from daq.runtime.store.layout import quoted
from daq.runtime.store.opening import reading_store
from daq.trials.session import Occurrence
from daq.trials.stages import Happening, Stage
from daq.wording import occurrence_text

_RUN_UP_OVER = occurrence_text(
    Occurrence(Stage.SETTLING, Happening.RUN_UP_OVER, 0.0, None)
)
"""How the line of the events ends that tells of it; it begins with what the condition was called then."""


def read_session_files(path: Path, session: int) -> tuple[str, str]:
    """The plan's and the bench's text as they were when a session was carried out.

    Args:
        path: Of the store.
        session: Number of one that there is.

    Raises:
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    with reading_store(path) as connection:
        plan, bench = connection.execute(
            "SELECT plan_text, bench_text FROM sessions WHERE id = ?", (session,)
        ).fetchone()
    return str(plan), str(bench)


def read_channels(path: Path) -> tuple[Channel, ...]:
    """Channels of a store as they were described last.

    Args:
        path: Of the store.

    Raises:
        StoreError: As for read_session_files().
    """
    with reading_store(path) as connection:
        rows = connection.execute(
            f"SELECT {DESCRIPTION} FROM channels"  # noqa: S608 - names of ours
            " WHERE id IN (SELECT max(id) FROM channels GROUP BY name) ORDER BY id"
        ).fetchall()
        return tuple(map(channel_of, rows))


def read_traces(path: Path, budgets: Sequence[TrialBudgets]) -> tuple[TrialTrace, ...]:
    """Read how trials went.

    Args:
        path: Of the store.
        budgets: Of the trials wanted, all of one session.

    Raises:
        StoreError: As for read_session_files().
    """
    names = _waited_for(budgets)
    with reading_store(path, readings=True) as connection:
        return tuple(_trace(connection, each, names) for each in budgets)


def _waited_for(budgets: Sequence[TrialBudgets]) -> list[str]:
    """Channels that the session's trials waited for."""
    averages = [each.average for trial in budgets for each in trial.averages]
    with suppress(ValueError, KeyError, TypeError, StopIteration):
        rule = next(a.rule_json for a in averages if a.rule_json)
        return [str(name) for name in json.loads(rule)["required"]]
    return list(dict.fromkeys(a.channel for a in averages if a.required))


def _trace(
    connection: sqlite3.Connection, budgets: TrialBudgets, names: Sequence[str]
) -> TrialTrace:
    trial = budgets.trial
    averages = {each.average.channel: each for each in budgets.averages}
    windows = [
        (each.average.window_start_s, each.average.window_end_s)
        for each in budgets.averages
    ]
    channels = [
        _channel_trace(connection, trial.trial, name, averages.get(name))
        for name in names
    ]
    return TrialTrace(
        number=trial.trial,
        condition=trial.condition,
        repeat=trial.repeat,
        state=trial.state,
        run_up_s=_run_up_s(connection, trial),
        window_s=windows[0] if windows else None,
        channels=tuple(c for c in channels if c is not None and len(c.values)),
        note=trial.note,
    )


def _channel_trace(
    connection: sqlite3.Connection,
    trial: int,
    name: str,
    budget: AverageBudget | None,
) -> ChannelTrace | None:
    unit = budget.average.unit if budget else None
    found = connection.execute(
        "SELECT table_name, column_name, title, unit FROM channels"
        " WHERE name = ? AND unit = coalesce(?, unit) ORDER BY id DESC LIMIT 1",
        (name, unit),
    ).fetchone()
    if found is None:
        return None
    table, column, title, unit = found
    readings = _readings(connection, trial, table, column)
    return ChannelTrace(
        name=name,
        title=title,
        unit=unit,
        elapsed_s=readings[:, 0],
        values=readings[:, 1],
        mean=budget.average.mean if budget else None,
        expanded_uncertainty=_finite(budget) if budget else 0.0,
        level=_level(budget) if budget else None,
    )


def _finite(budget: AverageBudget) -> float:
    expanded = budget.average.expanded_uncertainty
    return expanded if math.isfinite(expanded) else 0.0


def _level(budget: AverageBudget) -> float:
    average = budget.average
    mean = average.plain_mean if average.normalised_by else average.mean
    return mean + budget.zero_offset


def _readings(
    connection: sqlite3.Connection, trial: int, table: str, column: str
) -> NDArray[np.float64]:
    """Time since switch-on and value, in the order of time. Shape (n, 2)."""
    rows = connection.execute(
        f"SELECT r.at_s - t.started_s, r.{quoted(column)} FROM {quoted(table)} r"  # noqa: S608 - names of ours
        " JOIN trials t ON t.id = r.trial_id"
        f" WHERE r.trial_id = ? AND r.{quoted(column)} IS NOT NULL"
        " AND r.at_s >= t.started_s ORDER BY r.at_s",
        (trial,),
    ).fetchall()
    return np.array(rows, dtype=np.float64).reshape(-1, 2)


def _run_up_s(connection: sqlite3.Connection, trial: StoredTrial) -> float | None:
    """When the log says that the run-up was over; its times and the trial's are of one clock."""
    (at_s,) = connection.execute(
        "SELECT min(e.at_s - t.started_s) FROM events e JOIN trials t ON t.id = ?1"
        " JOIN clocks c ON c.id = e.clock_id JOIN clocks d ON d.id = t.clock_id"
        " WHERE e.session_id = t.session_id AND c.boot_id = d.boot_id"
        " AND substr(e.text, -length(?2)) = ?2"
        " AND e.at_s >= t.started_s AND e.at_s <= coalesce(t.ended_s, e.at_s)",
        (trial.trial, _RUN_UP_OVER),
    ).fetchone()
    return None if at_s is None else float(at_s)
