"""The tables and views of a results file, format 1, and how a file comes to have them.

The SQL stands here in full, because the file is meant to be read with any SQL tool:
its comments stay in the file and are shown with the schema. Tables of readings follow
from the bench and are made in columns.py. Times named `*_s` are seconds of the bench's
monotonic clock; with the row of `clocks` that they name they become UTC.
"""

import sqlite3
from typing import TYPE_CHECKING

from daq.runtime.store.layout import utc_text

if TYPE_CHECKING:
    from sqlite_utils import Database, Migrations

APPLICATION_ID = 0x53744263
"""Marks a SQLite file as a store of ours ("StBc")."""

FORMAT = 1
"""Format of the store that this version writes; `PRAGMA user_version` of the file."""

_TABLES = (
    """CREATE TABLE clocks (
  id INTEGER PRIMARY KEY,
  boot_id TEXT NOT NULL,
  monotonic_s REAL NOT NULL, -- bench clock at the moment utc_us [s]
  utc_us INTEGER NOT NULL,   -- microseconds since 1970-01-01T00:00:00Z
  speed REAL NOT NULL CHECK (speed > 0) -- bench seconds a real second
  -- UTC of a bench time t in seconds: utc_us / 1e6 + (t - monotonic_s) / speed
) STRICT""",
    """CREATE TABLE sessions (
  id INTEGER PRIMARY KEY,
  uuid TEXT NOT NULL UNIQUE,
  bench TEXT NOT NULL,
  plan TEXT NOT NULL,
  plan_digest TEXT NOT NULL,
  plan_text TEXT NOT NULL,  -- the plan file as it was
  bench_text TEXT NOT NULL, -- the bench file as it was
  machine TEXT NOT NULL,
  seed INTEGER NOT NULL,    -- of the order
  order_json TEXT NOT NULL,
  speed REAL NOT NULL,
  software TEXT NOT NULL,
  started_utc TEXT NOT NULL,
  ended_utc TEXT,
  state TEXT NOT NULL DEFAULT 'open'
    CHECK (state IN ('open', 'finished', 'abandoned'))
) STRICT""",
    """CREATE TABLE trials (
  id INTEGER PRIMARY KEY,
  uuid TEXT NOT NULL UNIQUE,
  session_id INTEGER NOT NULL REFERENCES sessions (id),
  position INTEGER NOT NULL,
  condition TEXT NOT NULL,
  repeat INTEGER NOT NULL,
  attempt INTEGER NOT NULL,
  baseline INTEGER NOT NULL CHECK (baseline IN (0, 1)),
  state TEXT NOT NULL,
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  started_s REAL NOT NULL,
  ended_s REAL,
  window_start_s REAL, -- the window that all channels were averaged over
  window_end_s REAL,
  rule_json TEXT,      -- parameters of the settling rule
  note TEXT NOT NULL DEFAULT ''
) STRICT""",
    "CREATE INDEX trials_by_session ON trials (session_id)",
    """CREATE TABLE channels (
  id INTEGER PRIMARY KEY,      -- a channel that changes gets a new row
  name TEXT NOT NULL,
  instrument TEXT NOT NULL,
  table_name TEXT NOT NULL,
  column_name TEXT NOT NULL,
  field_index INTEGER NOT NULL, -- bit 1 + field_index of flags: value unusable
  quantity TEXT NOT NULL,
  unit TEXT NOT NULL,
  place TEXT NOT NULL,
  title TEXT NOT NULL,
  accuracy_json TEXT NOT NULL,
  interval_s REAL NOT NULL,
  first_seen_utc TEXT NOT NULL
) STRICT""",
    """CREATE TABLE averages (
  trial_id INTEGER NOT NULL REFERENCES trials (id),
  channel TEXT NOT NULL,
  channel_id INTEGER REFERENCES channels (id), -- as it was then
  unit TEXT NOT NULL,
  required INTEGER NOT NULL CHECK (required IN (0, 1)),
  mean REAL NOT NULL,
  plain_mean REAL NOT NULL,
  std_uncertainty_type_a REAL, -- NULL in this and what follows: not finite
  degrees_of_freedom_a REAL,
  std_uncertainty_type_b REAL,
  std_uncertainty REAL,
  degrees_of_freedom REAL,
  coverage_factor REAL,
  expanded_uncertainty REAL,
  count INTEGER NOT NULL,
  effective_count REAL,
  window_start_s REAL NOT NULL,
  window_end_s REAL NOT NULL,
  PRIMARY KEY (trial_id, channel)
) STRICT""",
    """CREATE TABLE gaps (
  id INTEGER PRIMARY KEY,
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  trial_id INTEGER REFERENCES trials (id),
  at_s REAL NOT NULL,
  instrument TEXT NOT NULL,
  reason TEXT NOT NULL,
  detail TEXT NOT NULL
) STRICT""",
    """CREATE TABLE events (
  id INTEGER PRIMARY KEY,
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  session_id INTEGER REFERENCES sessions (id),
  at_s REAL NOT NULL,
  kind TEXT NOT NULL,
  text TEXT NOT NULL
) STRICT""",
    """CREATE TABLE outbox (
  id INTEGER PRIMARY KEY AUTOINCREMENT, -- never used twice: the order of sending
  result_id TEXT NOT NULL,
  topic TEXT NOT NULL,
  payload TEXT NOT NULL,
  created_utc TEXT NOT NULL
) STRICT""",
)

_TRIAL_FACTS = f"""s.id AS session, s.uuid AS session_id, s.bench, s.plan, s.machine,
  t.id AS trial, t.uuid AS trial_id, t.position, t.condition, t.repeat, t.attempt,
  t.baseline, t.state, {utc_text("c", "t.started_s")} AS started_utc"""
_TRIAL_SOURCE = """trials t
  JOIN sessions s ON s.id = t.session_id
  JOIN clocks c ON c.id = t.clock_id"""

_VIEWS = (
    f"""CREATE VIEW trial_list AS SELECT {_TRIAL_FACTS},
  round(t.ended_s - t.started_s, 6) AS duration_s, t.note, s.speed, s.software
  FROM {_TRIAL_SOURCE}""",  # noqa: S608 - constants of this module
    f"""CREATE VIEW trial_averages AS SELECT {_TRIAL_FACTS},
  a.channel, coalesce(h.title, a.channel) AS title,
  coalesce(h.quantity, '') AS quantity, coalesce(h.place, '') AS place,
  a.unit, a.required, a.mean, a.expanded_uncertainty, a.coverage_factor,
  a.std_uncertainty, a.std_uncertainty_type_a, a.std_uncertainty_type_b,
  a.degrees_of_freedom, a.degrees_of_freedom_a, a.plain_mean,
  a.count, a.effective_count,
  round(a.window_start_s - t.started_s, 6) AS window_start_s, -- from switch-on
  round(a.window_end_s - t.started_s, 6) AS window_end_s,
  coalesce(t.rule_json, '') AS rule_json, s.speed, s.software
  FROM {_TRIAL_SOURCE}
  JOIN averages a ON a.trial_id = t.id
  LEFT JOIN channels h ON h.id = a.channel_id""",  # noqa: S608 - constants of this module
)


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a new or older file to the format of this version.

    A file that has it already costs nothing: the library that keeps the list of what
    was applied takes a fifth of a second to load.
    """
    if file_format(connection) < FORMAT:
        from sqlite_utils import Database

        _migrations().apply(Database(connection, execute_plugins=False))


def file_format(connection: sqlite3.Connection) -> int:
    """Format number of the file; 0 where it is no store yet."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _migrations() -> "Migrations":
    from sqlite_utils import Migrations

    migrations = Migrations("steadybench")

    @migrations()
    def format_1(db: "Database") -> None:
        for statement in (*_TABLES, *_VIEWS):
            db.execute(statement)
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute("PRAGMA user_version = 1")

    return migrations
