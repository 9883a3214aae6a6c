"""The results file: one SQLite file a bench, written by one thread.

Writing: `Store`. Reading, also while a daemon writes: `read_sessions`, `read_analyses`,
`read_trials`, `read_trial_averages`, `read_budgets`, `read_readings`.

    opening     is the file there, is it ours, can this version use it
    schema      tables, views, migrations         columns  tables that follow the bench
    layout      names and SQL that follow from a bench
    buffer      rows on their way                 writer   the thread
    sessions    SQL of sessions, trials, outbox   analyses SQL of averages and budgets
    store       the face of writing
    reading     read-only questions               budgets  those about uncertainty
"""

from daq.runtime.store.budgets import AverageBudget, TrialBudgets, read_budgets
from daq.runtime.store.reading import (
    SessionSummary,
    StoredReadings,
    read_analyses,
    read_readings,
    read_sessions,
    read_trial_averages,
    read_trials,
)
from daq.runtime.store.sessions import RunningTrial, StoredSession
from daq.runtime.store.store import BUFFER_ROWS, Store

__all__ = [
    "BUFFER_ROWS",
    "AverageBudget",
    "RunningTrial",
    "SessionSummary",
    "Store",
    "StoredReadings",
    "StoredSession",
    "TrialBudgets",
    "read_analyses",
    "read_budgets",
    "read_readings",
    "read_sessions",
    "read_trial_averages",
    "read_trials",
]
