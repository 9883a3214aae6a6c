"""Stored sessions as the page gets them: the list, one of them as it is looked at after the fact, and a trial's readings.

Every function blocks while it reads the store: not for the event loop's thread. Compares nothing, and looks at nothing
that is live; but a service that was started anew gives its charts from here what was read before.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daq.report.thinning import thinned
from daq.runtime.past_snapshot import snapshot_of
from daq.runtime.snapshot import ComparisonLine
from daq.runtime.store import read_sessions
from daq.runtime.store.past import PastTrial, read_past_session
from daq.runtime.store.past_readings import read_past_readings
from daq.runtime.store.recent import read_recent
from daq.runtime.thinned_trace import STRETCH_S, ThinnedTrace

FORMAT = 1
"""Of the answers."""

_BUCKETS = 400
"""Stretches that a trial is cut into [1]; of each the least, the greatest and one break: 1200 points at most."""


def sessions_json(path: Path) -> str:
    """Every session of a store, newest first.

    Raises:
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    sessions = [
        {
            "session": each.session,
            "plan": each.plan,
            "machine": each.machine,
            "started_utc": each.started_utc,
            "ended_utc": each.ended_utc,
            "state": each.state,
            "trials": each.trials,
            "finished": each.finished,
        }
        for each in reversed(read_sessions(path))
    ]
    return _text({"format": FORMAT, "sessions": sessions})


def session_json(
    path: Path, number: int, comparison: ComparisonLine | None
) -> str | None:
    """One session as a snapshot, and its trials; None where there is none of that number.

    Args:
        path: Of the store.
        number: Of the session.
        comparison: What is known of how its conditions differ.

    Raises:
        StoreError: As for sessions_json().
    """
    session = read_past_session(path, number)
    if session is None:
        return None
    snapshot = snapshot_of(session, comparison=comparison)
    return _text(
        {
            "format": FORMAT,
            "snapshot": asdict(snapshot),
            "trials": [_trial(each) for each in session.trials],
        }
    )


def trial_trace_json(path: Path, session: int, trial: int) -> str | None:
    """A trial's readings, thinned to be drawn; None where the session has no trial of that number.

    Raises:
        StoreError: As for sessions_json().
    """
    found = read_past_readings(path, session, trial)
    if found is None:
        return None
    window = found.window
    return _text(
        {
            "format": FORMAT,
            "trial": trial,
            "started_s": found.started_s,
            "window_s": (window.start_s, window.end_s) if window else None,
            "channels": {
                name: _trace(*_thinned(times_s, values))
                for name, (times_s, values) in found.channels.items()
            },
        }
    )


def past_traces(path: Path, clock_id: int, kept_s: float) -> dict[str, ThinnedTrace]:
    """Traces of what was read before this run of the service, by channel.

    Args:
        path: Of the store.
        clock_id: Row of its clocks that this run began with.
        kept_s: As long as the live traces keep it [s of bench time].

    Raises:
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    traces = {}
    recent = read_recent(path, clock_id=clock_id, span_s=kept_s, stretch_s=STRETCH_S)
    for name, readings in recent.items():
        traces[name] = trace = ThinnedTrace(kept_s)
        for at_s, value in readings:
            trace.append(at_s, value)
    return traces


def _trial(trial: PastTrial) -> dict[str, object]:
    window = trial.window
    return {
        "trial": trial.number,
        "position": trial.planned.position,
        "condition": trial.planned.condition,
        "repeat": trial.planned.repeat,
        "attempt": trial.attempt,
        "state": trial.state,
        "started_s": trial.started_s,
        "ended_s": trial.ended_s,
        "started_utc": trial.started_utc,
        "run_up_end_s": trial.run_up_end_s,
        "window_s": (window.start_s, window.end_s) if window else None,
        "note": trial.note,
    }


# ---- a trial's readings


def _thinned(
    times_s: NDArray[np.float64], values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Every peak and every break of the curve; a break is a value that is not a number.

    Args:
        times_s: Rising [s]. Shape (n,), n >= 1.
        values: [any unit]. Shape (n,).

    Returns:
        At most three points a stretch of time.
    """
    is_break = np.isnan(values)
    kept_s, kept = thinned(times_s[~is_break], values[~is_break], buckets=_BUCKETS)
    breaks_s = _first_of_each(times_s[is_break], start_s=times_s[0], end_s=times_s[-1])
    all_s = np.concatenate([kept_s, breaks_s])
    both = np.concatenate([kept, np.full(len(breaks_s), np.nan)])
    order = np.argsort(all_s, kind="stable")
    all_s, both = all_s[order], both[order]
    # One break says as much as several with nothing between them.
    is_repeated = np.isnan(both) & np.isnan(np.concatenate([[0.0], both[:-1]]))
    return all_s[~is_repeated], both[~is_repeated]


def _first_of_each(
    times_s: NDArray[np.float64], *, start_s: float, end_s: float
) -> NDArray[np.float64]:
    """The first of each stretch [s]."""
    width_s = (end_s - start_s) / _BUCKETS or 1.0
    stretch = np.minimum((times_s - start_s) // width_s, _BUCKETS - 1)
    return times_s[np.flatnonzero(np.diff(stretch, prepend=-1.0))]


def _trace(
    times_s: NDArray[np.float64], values: NDArray[np.float64]
) -> dict[str, object]:
    return {
        "t": np.round(times_s, 3).tolist(),
        "v": [None if np.isnan(value) else value for value in values.tolist()],
    }


def _text(content: Mapping[str, object]) -> str:
    return json.dumps(content, ensure_ascii=False, allow_nan=False)
