"""The tables and views of a results file, format 3, and how a file comes to have them.

The SQL stands here in full, because the file is meant to be read with any SQL tool:
its comments stay in the file and are shown with the schema. Tables of readings follow
from the bench and are made in columns.py. Times named `*_s` are seconds of the bench's
monotonic clock; with the row of `clocks` that they name they become UTC.

Format 2 keeps several analyses of the same readings side by side (number 0 is what was
averaged live), and what each average's uncertainty is made of. Format 3 (format_3.py)
keeps what operators asked for, what was corrected, and which readings belong to sessions.
A new file goes through all steps; what a released step does must stay as it was.
"""

import sqlite3
from typing import TYPE_CHECKING, cast

from daq.runtime.store.format_3 import to_format_3
from daq.runtime.store.layout import utc_text

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sqlite_utils import Database, Migrations

APPLICATION_ID = 0x53744263
"""Marks a SQLite file as a store of ours ("StBc")."""

FORMAT = 3
"""Format of the store that this version writes; `PRAGMA user_version` of the file."""

STEPS = "steadybench"
"""Name of the steps from format to format, in the table that tells which were taken."""

STEPS_TABLE = "_sqlite_migrations"
"""The table that tells which steps were taken; its library makes it."""

LIVE = 0
"""Number of the analysis that holds what was averaged while the machine ran."""

_TABLES_1 = (
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

_TABLES_2 = (
    """CREATE TABLE analyses (
  id INTEGER PRIMARY KEY,      -- 0: averaged live, by the rule that stands with each trial
  session_id INTEGER REFERENCES sessions (id), -- whose trials; NULL: of all (number 0)
  created_utc TEXT NOT NULL,
  software TEXT NOT NULL,      -- name and version; empty for number 0: see sessions
  rule_json TEXT,              -- parameters of the settling rule; NULL for number 0
  note TEXT NOT NULL DEFAULT ''
) STRICT""",
    """INSERT INTO analyses (id, created_utc, software, note)
  VALUES (0, strftime('%Y-%m-%dT%H:%M:%fZ', 'now'), '', 'averaged live')""",
    """CREATE TABLE analysed_trials ( -- how a trial ends by an analysis other than 0
  analysis_id INTEGER NOT NULL REFERENCES analyses (id),
  trial_id INTEGER NOT NULL REFERENCES trials (id),
  state TEXT NOT NULL,
  window_start_s REAL,
  window_end_s REAL,
  note TEXT NOT NULL DEFAULT '',
  PRIMARY KEY (analysis_id, trial_id)
) STRICT""",
    """CREATE TABLE averages (
  trial_id INTEGER NOT NULL REFERENCES trials (id),
  channel TEXT NOT NULL,
  analysis_id INTEGER NOT NULL DEFAULT 0 REFERENCES analyses (id),
  channel_id INTEGER REFERENCES channels (id), -- as it was then
  unit TEXT NOT NULL,
  required INTEGER NOT NULL CHECK (required IN (0, 1)),
  mean REAL NOT NULL,       -- zero_offset is subtracted in this and in plain_mean
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
  zero_offset REAL NOT NULL DEFAULT 0, -- mean with the machine off; 0 where not asked for
  normalised_by TEXT,  -- voltage channel that took mean, not plain_mean, to reference_v;
  reference_v REAL,    --   NULL in these six: not normalised
  exponent REAL,       -- mean is proportional to voltage to the power of it
  exponent_std_uncertainty REAL,
  exponent_degrees_of_freedom REAL, -- NULL also: infinite
  mean_voltage_v REAL, -- of the channel normalised_by, over the window
  window_start_s REAL NOT NULL,
  window_end_s REAL NOT NULL,
  PRIMARY KEY (trial_id, channel, analysis_id)
) STRICT""",
    """CREATE TABLE contributions ( -- what an average's uncertainty is made of
  trial_id INTEGER NOT NULL,
  channel TEXT NOT NULL,
  analysis_id INTEGER NOT NULL DEFAULT 0,
  position INTEGER NOT NULL, -- order in the budget, from 1
  name TEXT NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('A', 'B')),
  distribution TEXT NOT NULL,
  detail TEXT NOT NULL,      -- what it follows from, in words
  std_uncertainty REAL,      -- in the average's unit; NULL: not finite
  degrees_of_freedom REAL,   -- NULL: infinite
  PRIMARY KEY (trial_id, channel, analysis_id, position),
  FOREIGN KEY (trial_id, channel, analysis_id)
    REFERENCES averages (trial_id, channel, analysis_id) ON DELETE CASCADE
) STRICT""",
)

_TRIAL_FACTS = f"""s.id AS session, s.uuid AS session_id, s.bench, s.plan, s.machine,
  t.id AS trial, t.uuid AS trial_id, t.position, t.condition, t.repeat, t.attempt,
  t.baseline, t.state, {utc_text("c", "t.started_s")} AS started_utc"""
_TRIAL_SOURCE = """trials t
  JOIN sessions s ON s.id = t.session_id
  JOIN clocks c ON c.id = t.clock_id"""

_TRIAL_LIST = f"""CREATE VIEW trial_list AS SELECT {_TRIAL_FACTS},
  round(t.ended_s - t.started_s, 6) AS duration_s, t.note, s.speed, s.software
  FROM {_TRIAL_SOURCE}"""  # noqa: S608 - constants of this module


def _averages_view(figures: str) -> str:
    """The view of averages, with these columns after plain_mean."""
    return f"""CREATE VIEW trial_averages AS SELECT {_TRIAL_FACTS},
  a.channel, coalesce(h.title, a.channel) AS title,
  coalesce(h.quantity, '') AS quantity, coalesce(h.place, '') AS place,
  a.unit, a.required, a.mean, a.expanded_uncertainty, a.coverage_factor,
  a.std_uncertainty, a.std_uncertainty_type_a, a.std_uncertainty_type_b,
  a.degrees_of_freedom, a.degrees_of_freedom_a, a.plain_mean,
  {figures}a.count, a.effective_count,
  round(a.window_start_s - t.started_s, 6) AS window_start_s, -- from switch-on
  round(a.window_end_s - t.started_s, 6) AS window_end_s,
  coalesce(t.rule_json, '') AS rule_json, s.speed, s.software
  FROM {_TRIAL_SOURCE}
  JOIN averages a ON a.trial_id = t.id
  LEFT JOIN channels h ON h.id = a.channel_id"""  # noqa: S608 - constants of this module


_AVERAGES_1 = _averages_view("")
_NORMALISED = """a.normalised_by, a.reference_v, a.exponent, -- NULL: not normalised
  a.exponent_std_uncertainty, a.exponent_degrees_of_freedom, a.mean_voltage_v,
  """
_VIEWS_2 = (
    _averages_view(_NORMALISED) + f"\n  WHERE a.analysis_id = {LIVE}",
    f"""CREATE VIEW trial_contributions AS SELECT {_TRIAL_FACTS},
  a.channel, a.unit, a.mean, b.position AS line, b.name, b.kind, b.distribution,
  b.detail, b.std_uncertainty, b.degrees_of_freedom,
  b.std_uncertainty * b.std_uncertainty
    / nullif(a.std_uncertainty * a.std_uncertainty, 0) AS variance_share
  FROM {_TRIAL_SOURCE}
  JOIN averages a ON a.trial_id = t.id
  JOIN contributions b ON b.trial_id = a.trial_id AND b.channel = a.channel
    AND b.analysis_id = a.analysis_id
  WHERE a.analysis_id = {LIVE}""",  # noqa: S608 - constants of this module
)


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a new or older file to the format of this version.

    A file that has it already costs nothing: the library that keeps the list of what
    was applied takes a fifth of a second to load.
    """
    before = file_format(connection)
    if before < FORMAT:
        from sqlite_utils import Database

        if not before:
            # First of all: a program that is ended between two steps must leave a file that is known as ours.
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        _migrations().apply(Database(connection, execute_plugins=False))


def in_memory(store_format: int) -> sqlite3.Connection:
    """An empty store of a format, in memory: what tables and views a file of it has."""
    from sqlite_utils import Database

    connection = sqlite3.connect(":memory:", isolation_level=None)
    after = step_name(store_format + 1)
    database = Database(connection, execute_plugins=False)
    _migrations().apply(database, stop_before=after)
    return connection


def empty_store(store_format: int) -> sqlite3.Connection:
    """As in_memory, without the list of the steps: it is there at once, for the library of that list is not needed."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    for step in _steps()[:store_format]:
        step(cast("Database", connection))  # of which they only ask to execute
    return connection


def file_format(connection: sqlite3.Connection) -> int:
    """Format number of the file; 0 where it is no store yet."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def step_name(store_format: int) -> str:
    """Name of the step to a format, as the list of the steps has it."""
    return f"format_{store_format}"


def _migrations() -> "Migrations":
    from sqlite_utils import Migrations

    migrations = Migrations(STEPS)
    for store_format, step in enumerate(_steps(), start=1):
        migrations(name=step_name(store_format))(_numbered(step, store_format))
    return migrations


def _steps() -> "Sequence[Callable[[Database], None]]":
    return (_to_format_1, _to_format_2, to_format_3)


def _numbered(
    step: "Callable[[Database], None]", store_format: int
) -> "Callable[[Database], None]":
    def stepped(db: "Database") -> None:
        step(db)
        db.execute(f"PRAGMA user_version = {store_format}")

    return stepped


def _to_format_1(db: "Database") -> None:
    for statement in (*_TABLES_1, _TRIAL_LIST, _AVERAGES_1):
        db.execute(statement)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def _to_format_2(db: "Database") -> None:
    """Give averages an analysis and contributions, trials their idle window."""
    db.execute("DROP VIEW trial_averages")
    # Not renamed: SQLite refuses that where a view of the user's asks for our views.
    db.execute("CREATE TEMP TABLE averages_1 AS SELECT * FROM averages ORDER BY rowid")
    db.execute("DROP TABLE averages")
    for statement in _TABLES_2:
        db.execute(statement)
    columns = ", ".join(
        row[1] for row in db.execute("PRAGMA table_info(averages_1)").fetchall()
    )
    db.execute(
        f"INSERT INTO averages ({columns})"  # noqa: S608 - columns of ours
        f" SELECT {columns} FROM averages_1 ORDER BY rowid"
    )
    db.execute("DROP TABLE averages_1")
    # Where the zeros of the channels that ask for it were taken; NULL: none was needed.
    db.execute("ALTER TABLE trials ADD COLUMN idle_start_s REAL")
    db.execute("ALTER TABLE trials ADD COLUMN idle_end_s REAL")
    # Numbers (seq) of readings, which from this format on are counted over all instruments together. The first of the
    # trial, NULL in trials of format 1; the first that the settling rule was not given any more, NULL for none.
    db.execute("ALTER TABLE trials ADD COLUMN first_reading INTEGER")
    db.execute("ALTER TABLE trials ADD COLUMN judged_before INTEGER")
    # The channels were described up to this row of their table when the trial began; NULL in trials of format 1.
    db.execute("ALTER TABLE trials ADD COLUMN newest_channel_id INTEGER")
    db.execute(
        "ALTER TABLE channels ADD COLUMN subtract_idle INTEGER NOT NULL DEFAULT 0"
        " CHECK (subtract_idle IN (0, 1))"
    )
    for view in _VIEWS_2:
        db.execute(view)
