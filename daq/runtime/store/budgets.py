"""Reads what each average's uncertainty is made of; read-only, as reading.py.

A file of format 1 holds no contributions: its averages come with none.
"""

from dataclasses import dataclass
from pathlib import Path

from daq.errors import InputError
from daq.export import StoredAverage, StoredTrial
from daq.records import Contribution
from daq.runtime.store.analyses import CONTRIBUTION_COLUMNS, contribution_of
from daq.runtime.store.opening import reading_store
from daq.runtime.store.reading import numbered, read_trial_averages, read_trials
from daq.runtime.store.schema import LIVE, file_format

_WITH_CONTRIBUTIONS = 2
"""The first format that has them."""


@dataclass(frozen=True, slots=True)
class AverageBudget:
    """One average and its budget.

    Attributes:
        average: As stored.
        zero_offset: What was subtracted as the meter's zero [unit of the average].
        contributions: Empty where they were not recorded.
    """

    average: StoredAverage
    zero_offset: float
    contributions: tuple[Contribution, ...]


@dataclass(frozen=True, slots=True)
class TrialBudgets:
    """One trial and the budgets of its averages; none where it has no averages."""

    trial: StoredTrial
    averages: tuple[AverageBudget, ...]


def read_budgets(
    path: Path,
    *,
    session: int | None = None,
    trial: int | None = None,
    analysis: int = LIVE,
) -> list[TrialBudgets]:
    """Read the budgets of a session's trials, in the order they were carried out.

    Args:
        path: Of the store.
        session: Number of the session; None for the analysis's or the trial's, or else the newest.
        trial: Only the trial of that number.
        analysis: Number of the analysis whose averages are accounted for.

    Raises:
        InputError: If there is no such session or analysis, or no such trial in it.
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    if session is None and trial is not None and analysis == LIVE:
        session = _session_of(path, trial)
    trials = read_trials(path, session, analysis=analysis)
    wanted = [each for each in trials if trial is None or each.trial == trial]
    if trial is not None and not wanted:
        held = ", ".join(str(each.trial) for each in trials) or "none"
        where = f"session {session}" if analysis == LIVE else f"analysis {analysis}"
        msg = f"{path}: {where} has no trial {trial}, it holds {held}"
        raise InputError(msg)
    # Averages first: one that is added meanwhile must not seem to lack its budget.
    averages = read_trial_averages(path, session, analysis=analysis)
    stored = _stored(path, analysis)
    return [
        TrialBudgets(
            each,
            tuple(
                AverageBudget(a, *stored.get((each.trial, a.channel), (0.0, ())))
                for a in averages
                if a.trial == each.trial
            ),
        )
        for each in wanted
    ]


def _session_of(path: Path, trial: int) -> int:
    with reading_store(path) as connection:
        found = connection.execute(
            "SELECT session_id FROM trials WHERE id = ?", (trial,)
        ).fetchone()
        (last,) = connection.execute("SELECT max(id) FROM trials").fetchone()
    if found is None:
        held = numbered(range(1, last + 1) if last else ())
        msg = f"{path}: no trial {trial}, it holds {held}"
        raise InputError(msg)
    return int(found[0])


def _stored(
    path: Path, analysis: int
) -> dict[tuple[int, str], tuple[float, tuple[Contribution, ...]]]:
    """Zero offset and contributions by trial and channel."""
    with reading_store(path) as connection:
        if file_format(connection) < _WITH_CONTRIBUTIONS:
            return {}
        zeros = connection.execute(
            "SELECT trial_id, channel, zero_offset FROM averages WHERE analysis_id = ?",
            (analysis,),
        ).fetchall()
        lines = connection.execute(
            f"SELECT trial_id, channel, {CONTRIBUTION_COLUMNS} FROM contributions"  # noqa: S608 - constants
            " WHERE analysis_id = ? ORDER BY trial_id, channel, position",
            (analysis,),
        ).fetchall()
    parts: dict[tuple[int, str], list[Contribution]] = {}
    for trial, channel, *columns in lines:
        parts.setdefault((trial, channel), []).append(contribution_of(columns))
    return {
        (trial, channel): (zero_offset, tuple(parts.get((trial, channel), ())))
        for trial, channel, zero_offset in zeros
    }
