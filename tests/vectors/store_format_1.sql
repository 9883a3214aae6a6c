-- A results file of format 1, as the version before wrote it, dumped with SQLite's iterdump.
PRAGMA application_id = 1400128099;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'steadybench','format_1','2026-11-25 10:32:26.217364+00:00');
CREATE TABLE averages (
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
) STRICT;
INSERT INTO "averages" VALUES(1,'power',2,'W',1,1383.2,1383.3,0.5,30.0,4.0,4.031,NULL,1.96,7.9,60,31.0,130.0,190.0);
INSERT INTO "averages" VALUES(1,'supply',1,'V',1,229.0,1383.3,0.5,30.0,4.0,4.031,NULL,1.96,7.9,60,31.0,130.0,190.0);
CREATE TABLE channels (
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
) STRICT;
INSERT INTO "channels" VALUES(1,'supply','meter','readings_meter','supply_v',0,'voltage','V','duct','Supply','{"percent_of_reading": 0.5, "percent_of_range": 0.0, "counts": 0.0, "resolution": 0.0, "full_scale": 0.0, "absolute": 0.0}',1.0,'2026-11-25T10:32:26.221Z');
INSERT INTO "channels" VALUES(2,'power','meter','readings_meter','power_w',2,'power','W','duct','Power','{"percent_of_reading": 0.5, "percent_of_range": 0.0, "counts": 0.0, "resolution": 0.0, "full_scale": 0.0, "absolute": 0.0}',1.0,'2026-11-25T10:32:26.221Z');
CREATE TABLE clocks (
  id INTEGER PRIMARY KEY,
  boot_id TEXT NOT NULL,
  monotonic_s REAL NOT NULL, -- bench clock at the moment utc_us [s]
  utc_us INTEGER NOT NULL,   -- microseconds since 1970-01-01T00:00:00Z
  speed REAL NOT NULL CHECK (speed > 0) -- bench seconds a real second
  -- UTC of a bench time t in seconds: utc_us / 1e6 + (t - monotonic_s) / speed
) STRICT;
INSERT INTO "clocks" VALUES(1,'boot',100.0,482196050520000,1.0);
CREATE TABLE events (
  id INTEGER PRIMARY KEY,
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  session_id INTEGER REFERENCES sessions (id),
  at_s REAL NOT NULL,
  kind TEXT NOT NULL,
  text TEXT NOT NULL
) STRICT;
INSERT INTO "events" VALUES(1,1,1,100.0,'begun','trial 1');
CREATE TABLE gaps (
  id INTEGER PRIMARY KEY,
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  trial_id INTEGER REFERENCES trials (id),
  at_s REAL NOT NULL,
  instrument TEXT NOT NULL,
  reason TEXT NOT NULL,
  detail TEXT NOT NULL
) STRICT;
CREATE TABLE outbox (
  id INTEGER PRIMARY KEY AUTOINCREMENT, -- never used twice: the order of sending
  result_id TEXT NOT NULL,
  topic TEXT NOT NULL,
  payload TEXT NOT NULL,
  created_utc TEXT NOT NULL
) STRICT;
INSERT INTO "outbox" VALUES(1,'7a1','t','{}','2026-11-25T10:32:26.260Z');
CREATE TABLE "readings_meter" (
  seq INTEGER PRIMARY KEY,
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  trial_id INTEGER REFERENCES trials (id), -- NULL: between trials
  at_s REAL NOT NULL,
  flags INTEGER NOT NULL -- 1: after a drain; 2 << field_index: value unusable
, "supply_v" REAL, "power_w" REAL) STRICT;
INSERT INTO "readings_meter" VALUES(1,1,1,101.0,0,229.0,1383.0);
INSERT INTO "readings_meter" VALUES(2,1,1,102.0,0,229.0,1384.0);
INSERT INTO "readings_meter" VALUES(3,1,1,103.0,0,229.0,1385.0);
CREATE TABLE sessions (
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
) STRICT;
INSERT INTO "sessions" VALUES(1,'5e551011','leads','leads','d1','[plan]','[bench]','blower',7,'[{"position": 1, "condition": "long lead", "repeat": 1, "baseline": true}, {"position": 2, "condition": "short lead", "repeat": 1, "baseline": false}]',1.0,'steadybench 0.1.0','2026-01-05T10:00:00.000Z',NULL,'open');
CREATE TABLE trials (
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
) STRICT;
INSERT INTO "trials" VALUES(1,'7a1',1,1,'long lead',1,1,1,'finished',1,100.0,200.0,130.0,190.0,'{}','');
INSERT INTO "trials" VALUES(2,'7a2',1,2,'short lead',1,1,0,'unfinished',1,300.0,350.0,NULL,NULL,'{}','switched off too soon');
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX trials_by_session ON trials (session_id);
CREATE VIEW trial_list AS SELECT s.id AS session, s.uuid AS session_id, s.bench, s.plan, s.machine,
  t.id AS trial, t.uuid AS trial_id, t.position, t.condition, t.repeat, t.attempt,
  t.baseline, t.state, strftime('%Y-%m-%dT%H:%M:%fZ', c.utc_us / 1e6 + (t.started_s - c.monotonic_s) / c.speed, 'unixepoch') AS started_utc,
  round(t.ended_s - t.started_s, 6) AS duration_s, t.note, s.speed, s.software
  FROM trials t
  JOIN sessions s ON s.id = t.session_id
  JOIN clocks c ON c.id = t.clock_id;
CREATE VIEW trial_averages AS SELECT s.id AS session, s.uuid AS session_id, s.bench, s.plan, s.machine,
  t.id AS trial, t.uuid AS trial_id, t.position, t.condition, t.repeat, t.attempt,
  t.baseline, t.state, strftime('%Y-%m-%dT%H:%M:%fZ', c.utc_us / 1e6 + (t.started_s - c.monotonic_s) / c.speed, 'unixepoch') AS started_utc,
  a.channel, coalesce(h.title, a.channel) AS title,
  coalesce(h.quantity, '') AS quantity, coalesce(h.place, '') AS place,
  a.unit, a.required, a.mean, a.expanded_uncertainty, a.coverage_factor,
  a.std_uncertainty, a.std_uncertainty_type_a, a.std_uncertainty_type_b,
  a.degrees_of_freedom, a.degrees_of_freedom_a, a.plain_mean,
  a.count, a.effective_count,
  round(a.window_start_s - t.started_s, 6) AS window_start_s, -- from switch-on
  round(a.window_end_s - t.started_s, 6) AS window_end_s,
  coalesce(t.rule_json, '') AS rule_json, s.speed, s.software
  FROM trials t
  JOIN sessions s ON s.id = t.session_id
  JOIN clocks c ON c.id = t.clock_id
  JOIN averages a ON a.trial_id = t.id
  LEFT JOIN channels h ON h.id = a.channel_id;
CREATE INDEX "readings_meter_by_trial" ON "readings_meter" (trial_id) WHERE trial_id IS NOT NULL;
CREATE VIEW "readings_meter_utc" AS SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc_us / 1e6 + (r.at_s - c.monotonic_s) / c.speed, 'unixepoch') AS utc, r."seq", r."trial_id", r."at_s", r."flags", r."supply_v", r."power_w" FROM "readings_meter" r JOIN clocks c ON c.id = r.clock_id;
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('outbox',1);
COMMIT;
