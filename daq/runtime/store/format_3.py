"""What format 3 adds to a results file: operations, corrected trials, and which readings belong to a session.

What this step does must stay as it was released. Programs of the formats before kept readings only while they carried
a session out, so every session gets one generous span: all from where it begins to where it ends, or to the end of
the file where it was left open.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from daq.runtime.store.layout import quoted, utc_text

if TYPE_CHECKING:
    from sqlite_utils import Database

_COLUMNS = (
    "ALTER TABLE sessions ADD COLUMN paused INTEGER NOT NULL DEFAULT 0"
    " CHECK (paused IN (0, 1))",
    # Positions of the lines of the order that are left out.
    "ALTER TABLE sessions ADD COLUMN skipped_json TEXT NOT NULL DEFAULT '[]'",
    "ALTER TABLE sessions ADD COLUMN worked_on_utc TEXT NOT NULL DEFAULT ''",
    # How a trial that was set aside had ended; NULL in all others.
    "ALTER TABLE trials ADD COLUMN state_before TEXT",
    # What was added to the note after the trial had ended; the note holds it too.
    "ALTER TABLE trials ADD COLUMN added_note TEXT NOT NULL DEFAULT ''",
)
_TABLES = (
    """CREATE TABLE operations ( -- what operators asked for; nothing is altered or deleted
  id INTEGER PRIMARY KEY,
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  session_id INTEGER REFERENCES sessions (id),
  at_s REAL NOT NULL,
  way TEXT NOT NULL,  -- page, command line …
  kind TEXT NOT NULL,
  trial_id INTEGER REFERENCES trials (id),
  detail_json TEXT NOT NULL
) STRICT""",
    """CREATE TABLE relabellings ( -- trials that were made under another condition than called for
  id INTEGER PRIMARY KEY,
  trial_id INTEGER NOT NULL REFERENCES trials (id),
  from_position INTEGER NOT NULL,
  from_condition TEXT NOT NULL,
  from_repeat INTEGER NOT NULL,
  from_baseline INTEGER NOT NULL CHECK (from_baseline IN (0, 1)),
  to_position INTEGER NOT NULL,
  to_condition TEXT NOT NULL,
  to_repeat INTEGER NOT NULL,
  to_baseline INTEGER NOT NULL CHECK (to_baseline IN (0, 1)),
  reason TEXT NOT NULL,
  way TEXT NOT NULL,
  at_utc TEXT NOT NULL
) STRICT""",
    """CREATE TABLE settings_aside ( -- trials that shall not count
  trial_id INTEGER PRIMARY KEY REFERENCES trials (id),
  reason TEXT NOT NULL,
  way TEXT NOT NULL,
  at_utc TEXT NOT NULL
) STRICT""",
    """CREATE TABLE spans ( -- while a session was carried out; what lies outside is thinned in time
  id INTEGER PRIMARY KEY,
  session_id INTEGER NOT NULL REFERENCES sessions (id),
  first_seq INTEGER NOT NULL, -- numbers of readings of all instruments, both ends included
  last_seq INTEGER,           -- NULL: goes on
  first_gap INTEGER NOT NULL, -- numbers of gaps
  last_gap INTEGER
) STRICT""",
    """CREATE TABLE thinning ( -- how far each table was thinned
  table_name TEXT PRIMARY KEY,
  done_to INTEGER NOT NULL, -- number of the last row that was looked at
  kept_json TEXT NOT NULL   -- the stretch whose first row was kept last, by instrument and reason
) STRICT""",
)
_NUMBERS = """CREATE TEMP TABLE numbers_3 (
  clock_id INTEGER NOT NULL, kind TEXT NOT NULL, least INTEGER NOT NULL, most INTEGER NOT NULL)"""
_KNOWN_CLOCKS = """SELECT session_id, min(clock_id) AS least, max(clock_id) AS most
  FROM (SELECT session_id, clock_id FROM trials
    UNION ALL SELECT session_id, clock_id FROM events WHERE session_id IS NOT NULL)
  GROUP BY session_id"""
# A text that is no time gives NULL, and the clocks of trials and events alone decide.
_CLOCK_AT = """(SELECT max(c.id) FROM clocks c
  WHERE c.utc_us <= (julianday(s.{text}) - 2440587.5) * 86400e6)"""
_STRETCHES = f"""SELECT s.id AS session,
  min(coalesce(k.least, 9e18), coalesce({_CLOCK_AT.format(text="started_utc")}, k.least, 0)) AS first_clock,
  CASE s.state WHEN 'open' THEN 9e18
    ELSE max(coalesce(k.most, 0), coalesce({_CLOCK_AT.format(text="ended_utc")}, 0)) END AS last_clock
  FROM sessions s LEFT JOIN ({_KNOWN_CLOCKS}) k ON k.session_id = s.id"""  # noqa: S608 - constants of this module
_SPANS = f"""INSERT INTO spans (session_id, first_seq, last_seq, first_gap, last_gap)
  SELECT w.session,
    coalesce(min(n.least) FILTER (WHERE n.kind = 'reading'), 1),
    coalesce(max(n.most) FILTER (WHERE n.kind = 'reading'), 0),
    coalesce(min(n.least) FILTER (WHERE n.kind = 'gap'), 1),
    coalesce(max(n.most) FILTER (WHERE n.kind = 'gap'), 0)
  FROM ({_STRETCHES}) w
  LEFT JOIN numbers_3 n ON n.clock_id BETWEEN w.first_clock AND w.last_clock
  GROUP BY w.session"""  # noqa: S608 - constants of this module
_WORKED_ON = f"""UPDATE sessions SET worked_on_utc = coalesce(ended_utc,
  (SELECT max(utc) FROM (
    SELECT {utc_text("c", "coalesce(t.ended_s, t.started_s)")} AS utc
      FROM trials t JOIN clocks c ON c.id = t.clock_id WHERE t.session_id = sessions.id
    UNION ALL SELECT {utc_text("c", "e.at_s")}
      FROM events e JOIN clocks c ON c.id = e.clock_id WHERE e.session_id = sessions.id)),
  started_utc)"""  # noqa: S608 - constants of this module


def to_format_3(db: "Database") -> None:
    """Take the step from format 2."""
    for statement in (*_COLUMNS, *_TABLES, _WORKED_ON):
        db.execute(statement)
    _add_spans(db)


def _add_spans(db: "Database") -> None:
    db.execute(_NUMBERS)
    # Once through every table, however many sessions there are.
    for table, (kind, number) in _numbered_tables(db).items():
        db.execute(
            f"INSERT INTO numbers_3 SELECT clock_id, '{kind}', min({number}), max({number})"  # noqa: S608 - names of ours
            f" FROM {quoted(table)} GROUP BY clock_id"
        )
    db.execute(_SPANS)
    db.execute("DROP TABLE numbers_3")


def _numbered_tables(db: "Database") -> Mapping[str, tuple[str, str]]:
    """Kind of row and name of its number, by table."""
    tables = db.execute("SELECT DISTINCT table_name FROM channels").fetchall()
    return {"gaps": ("gap", "id")} | {
        str(table): ("reading", "seq") for (table,) in tables
    }
