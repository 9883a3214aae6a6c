"""The results file: one SQLite file a bench, written by one thread.

Writing: `Store`. Reading, also while a daemon writes: `read_sessions`, `read_analyses`,
`read_trials`, `read_trial_averages`, `read_budgets`, `read_readings`.

    opening     is the file there, is it ours, can this version use it
    schema      tables, views, migrations         columns  tables that follow the bench
    format_3    the step to format 3              layout   names and SQL that follow from a bench
    buffer      rows on their way                 writer   the thread
    sessions    SQL of sessions, trials, outbox   analyses SQL of averages and budgets
    resuming    sessions that can go on           corrections  trials changed after the fact
    spans       which readings are a session's    thinning what becomes of the others
    underneath  are they still the files         stalling is the thread getting on
    store       the face of writing
    reading     read-only questions               budgets  those about uncertainty
    events      those about what happened
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
from daq.runtime.store.resuming import OpenSession, RunningTrial, StoredSession
from daq.runtime.store.store import BUFFER_ROWS, Store

__all__ = [
    "BUFFER_ROWS",
    "AverageBudget",
    "OpenSession",
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
