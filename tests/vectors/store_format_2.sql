-- A results file of format 2, as the version before wrote it, dumped with SQLite's iterdump.
PRAGMA application_id = 1400128099;
PRAGMA user_version = 2;
BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'steadybench','format_1','2026-11-29 20:36:11.118215+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'steadybench','format_2','2026-11-29 20:36:11.128157+00:00');
CREATE TABLE analysed_trials ( -- how a trial ends by an analysis other than 0
  analysis_id INTEGER NOT NULL REFERENCES analyses (id),
  trial_id INTEGER NOT NULL REFERENCES trials (id),
  state TEXT NOT NULL,
  window_start_s REAL,
  window_end_s REAL,
  note TEXT NOT NULL DEFAULT '',
  PRIMARY KEY (analysis_id, trial_id)
) STRICT;
INSERT INTO "analysed_trials" VALUES(1,1,'finished',130.0,190.0,'again');
CREATE TABLE analyses (
  id INTEGER PRIMARY KEY,      -- 0: averaged live, by the rule that stands with each trial
  session_id INTEGER REFERENCES sessions (id), -- whose trials; NULL: of all (number 0)
  created_utc TEXT NOT NULL,
  software TEXT NOT NULL,      -- name and version; empty for number 0: see sessions
  rule_json TEXT,              -- parameters of the settling rule; NULL for number 0
  note TEXT NOT NULL DEFAULT ''
) STRICT;
INSERT INTO "analyses" VALUES(0,NULL,'2026-11-29T20:36:11.125Z','',NULL,'averaged live');
INSERT INTO "analyses" VALUES(1,1,'2026-11-29T20:36:11.195Z','steadybench 0.1.0','{}','least_s=50');
CREATE TABLE averages (
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
) STRICT;
INSERT INTO "averages" VALUES(1,'power',0,2,'W',1,1383.2,1383.3,0.5,30.0,4.0,4.031,NULL,1.96,7.9,60,31.0,0.25,'supply',230.0,2.0,0.1,NULL,229.0,130.0,190.0);
INSERT INTO "averages" VALUES(1,'supply',0,1,'V',1,229.0,1383.3,0.5,30.0,4.0,4.031,NULL,1.96,7.9,60,31.0,0.0,NULL,NULL,NULL,NULL,NULL,NULL,130.0,190.0);
INSERT INTO "averages" VALUES(2,'power',0,2,'W',1,1403.2,1383.3,0.5,30.0,4.0,4.031,NULL,1.96,7.9,60,31.0,0.25,NULL,NULL,NULL,NULL,NULL,NULL,330.0,390.0);
INSERT INTO "averages" VALUES(1,'power',1,2,'W',1,1380.0,1383.3,0.5,30.0,4.0,4.031,NULL,1.96,7.9,60,31.0,0.0,NULL,NULL,NULL,NULL,NULL,NULL,130.0,190.0);
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
, subtract_idle INTEGER NOT NULL DEFAULT 0 CHECK (subtract_idle IN (0, 1))) STRICT;
INSERT INTO "channels" VALUES(1,'supply','meter','readings_meter','supply_v',0,'voltage','V','duct','Supply','{"percent_of_reading": 0.5, "percent_of_range": 0.0, "counts": 0.0, "resolution": 0.0, "full_scale": 0.0, "absolute": 0.0, "gain_percent": 0.0, "offset": 0.0, "linearity_percent": 0.0, "temperature_percent_per_k": 0.0, "temperature_span_k": 0.0, "certificate_u": 0.0, "certificate_u_percent": 0.0, "certificate_k": 1.0, "certificate_degrees_of_freedom": null}',1.0,'2026-11-29T20:36:11.130Z',0);
INSERT INTO "channels" VALUES(2,'power','meter','readings_meter','power_w',2,'power','W','duct','Power','{"percent_of_reading": 0.5, "percent_of_range": 0.0, "counts": 0.0, "resolution": 0.0, "full_scale": 0.0, "absolute": 0.0, "gain_percent": 0.0, "offset": 0.0, "linearity_percent": 0.0, "temperature_percent_per_k": 0.0, "temperature_span_k": 0.0, "certificate_u": 0.0, "certificate_u_percent": 0.0, "certificate_k": 1.0, "certificate_degrees_of_freedom": null}',1.0,'2026-11-29T20:36:11.131Z',0);
INSERT INTO "channels" VALUES(3,'duct','gauge','readings_gauge','duct_pa',0,'pressure','Pa','duct','Duct','{"percent_of_reading": 0.5, "percent_of_range": 0.0, "counts": 0.0, "resolution": 0.0, "full_scale": 0.0, "absolute": 0.0, "gain_percent": 0.0, "offset": 0.0, "linearity_percent": 0.0, "temperature_percent_per_k": 0.0, "temperature_span_k": 0.0, "certificate_u": 0.0, "certificate_u_percent": 0.0, "certificate_k": 1.0, "certificate_degrees_of_freedom": null}',1.0,'2026-11-29T20:36:11.136Z',0);
CREATE TABLE clocks (
  id INTEGER PRIMARY KEY,
  boot_id TEXT NOT NULL,
  monotonic_s REAL NOT NULL, -- bench clock at the moment utc_us [s]
  utc_us INTEGER NOT NULL,   -- microseconds since 1970-01-01T00:00:00Z
  speed REAL NOT NULL CHECK (speed > 0) -- bench seconds a real second
  -- UTC of a bench time t in seconds: utc_us / 1e6 + (t - monotonic_s) / speed
) STRICT;
INSERT INTO "clocks" VALUES(1,'boot-1',0.0,1767607200000000,1.0);
INSERT INTO "clocks" VALUES(2,'boot-1',210.0,1767607410000000,1.0);
INSERT INTO "clocks" VALUES(3,'boot-2',50.0,1767780000000000,1.0);
CREATE TABLE contributions ( -- what an average's uncertainty is made of
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
) STRICT;
INSERT INTO "contributions" VALUES(1,'power',0,1,'scatter and drift','A','normal','60 readings worth 31',0.5,30.0);
INSERT INTO "contributions" VALUES(1,'power',0,2,'accuracy','B','rectangular','',4.0,NULL);
INSERT INTO "contributions" VALUES(1,'power',0,3,'certificate','B','normal','U = 0.2, k = 2',0.1,20.0);
INSERT INTO "contributions" VALUES(2,'power',0,1,'scatter and drift','A','normal','60 readings worth 31',0.5,30.0);
INSERT INTO "contributions" VALUES(2,'power',0,2,'accuracy','B','rectangular','',4.0,NULL);
INSERT INTO "contributions" VALUES(2,'power',0,3,'certificate','B','normal','U = 0.2, k = 2',0.1,20.0);
CREATE TABLE events (
  id INTEGER PRIMARY KEY,
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  session_id INTEGER REFERENCES sessions (id),
  at_s REAL NOT NULL,
  kind TEXT NOT NULL,
  text TEXT NOT NULL
) STRICT;
INSERT INTO "events" VALUES(1,1,1,0.5,'begun','Session 1 begins: 2 trials.');
INSERT INTO "events" VALUES(2,2,1,401.0,'finished','Session 1 is finished.');
INSERT INTO "events" VALUES(3,3,2,50.5,'begun','Session 2 begins: 2 trials.');
INSERT INTO "events" VALUES(4,3,2,215.0,'note','lead was warm');
CREATE TABLE gaps (
  id INTEGER PRIMARY KEY,
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  trial_id INTEGER REFERENCES trials (id),
  at_s REAL NOT NULL,
  instrument TEXT NOT NULL,
  reason TEXT NOT NULL,
  detail TEXT NOT NULL
) STRICT;
INSERT INTO "gaps" VALUES(1,1,1,150.0,'meter','reply garbled','checksum');
INSERT INTO "gaps" VALUES(2,2,NULL,402.0,'gauge','no reply','no reply');
CREATE TABLE outbox (
  id INTEGER PRIMARY KEY AUTOINCREMENT, -- never used twice: the order of sending
  result_id TEXT NOT NULL,
  topic TEXT NOT NULL,
  payload TEXT NOT NULL,
  created_utc TEXT NOT NULL
) STRICT;
INSERT INTO "outbox" VALUES(1,'7a1','t','{}','2026-11-29T20:36:11.158Z');
CREATE TABLE "readings_gauge" (
  seq INTEGER PRIMARY KEY, -- order of arrival, counted over all instruments together
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  trial_id INTEGER REFERENCES trials (id), -- NULL: between trials
  at_s REAL NOT NULL,
  flags INTEGER NOT NULL -- 1: after a drain; 2 << field_index: value unusable
, "duct_pa" REAL) STRICT;
INSERT INTO "readings_gauge" VALUES(2,1,NULL,10.25,0,0.0);
INSERT INTO "readings_gauge" VALUES(4,1,NULL,40.25,0,0.0);
INSERT INTO "readings_gauge" VALUES(6,1,NULL,70.25,0,0.0);
INSERT INTO "readings_gauge" VALUES(8,1,1,100.25,0,12.5);
INSERT INTO "readings_gauge" VALUES(10,1,1,120.25,0,12.5);
INSERT INTO "readings_gauge" VALUES(12,1,1,140.25,0,12.5);
INSERT INTO "readings_gauge" VALUES(14,1,1,160.25,0,12.5);
INSERT INTO "readings_gauge" VALUES(16,1,1,180.25,0,12.5);
INSERT INTO "readings_gauge" VALUES(18,2,NULL,210.25,0,0.0);
INSERT INTO "readings_gauge" VALUES(20,2,NULL,240.25,0,0.0);
INSERT INTO "readings_gauge" VALUES(22,2,NULL,270.25,0,0.0);
INSERT INTO "readings_gauge" VALUES(24,2,2,300.25,0,12.5);
INSERT INTO "readings_gauge" VALUES(26,2,2,320.25,0,12.5);
INSERT INTO "readings_gauge" VALUES(28,2,2,340.25,0,12.5);
INSERT INTO "readings_gauge" VALUES(30,2,2,360.25,0,12.5);
INSERT INTO "readings_gauge" VALUES(32,2,2,380.25,0,12.5);
INSERT INTO "readings_gauge" VALUES(34,2,NULL,405.25,0,0.0);
CREATE TABLE "readings_meter" (
  seq INTEGER PRIMARY KEY, -- order of arrival, counted over all instruments together
  clock_id INTEGER NOT NULL REFERENCES clocks (id),
  trial_id INTEGER REFERENCES trials (id), -- NULL: between trials
  at_s REAL NOT NULL,
  flags INTEGER NOT NULL -- 1: after a drain; 2 << field_index: value unusable
, "supply_v" REAL, "power_w" REAL) STRICT;
INSERT INTO "readings_meter" VALUES(1,1,NULL,10.0,0,230.0,0.0);
INSERT INTO "readings_meter" VALUES(3,1,NULL,40.0,0,230.0,0.0);
INSERT INTO "readings_meter" VALUES(5,1,NULL,70.0,0,230.0,0.0);
INSERT INTO "readings_meter" VALUES(7,1,1,100.0,0,230.0,1383.0);
INSERT INTO "readings_meter" VALUES(9,1,1,120.0,0,230.0,1383.0);
INSERT INTO "readings_meter" VALUES(11,1,1,140.0,0,230.0,1383.0);
INSERT INTO "readings_meter" VALUES(13,1,1,160.0,0,230.0,1383.0);
INSERT INTO "readings_meter" VALUES(15,1,1,180.0,0,230.0,1383.0);
INSERT INTO "readings_meter" VALUES(17,2,NULL,210.0,0,230.0,0.0);
INSERT INTO "readings_meter" VALUES(19,2,NULL,240.0,0,230.0,0.0);
INSERT INTO "readings_meter" VALUES(21,2,NULL,270.0,0,230.0,0.0);
INSERT INTO "readings_meter" VALUES(23,2,2,300.0,0,230.0,1403.0);
INSERT INTO "readings_meter" VALUES(25,2,2,320.0,0,230.0,1403.0);
INSERT INTO "readings_meter" VALUES(27,2,2,340.0,0,230.0,1403.0);
INSERT INTO "readings_meter" VALUES(29,2,2,360.0,0,230.0,1403.0);
INSERT INTO "readings_meter" VALUES(31,2,2,380.0,0,230.0,1403.0);
INSERT INTO "readings_meter" VALUES(33,2,NULL,405.0,0,230.0,0.0);
INSERT INTO "readings_meter" VALUES(35,3,NULL,60.0,0,230.0,0.0);
INSERT INTO "readings_meter" VALUES(36,3,NULL,70.0,0,230.0,0.0);
INSERT INTO "readings_meter" VALUES(37,3,NULL,80.0,0,230.0,0.0);
INSERT INTO "readings_meter" VALUES(38,3,NULL,90.0,0,230.0,0.0);
INSERT INTO "readings_meter" VALUES(39,3,3,100.0,0,230.0,1383.0);
INSERT INTO "readings_meter" VALUES(40,3,3,120.0,0,230.0,1383.0);
INSERT INTO "readings_meter" VALUES(41,3,4,160.0,0,230.0,1383.0);
INSERT INTO "readings_meter" VALUES(42,3,4,180.0,0,230.0,1383.0);
INSERT INTO "readings_meter" VALUES(43,3,4,200.0,0,230.0,1383.0);
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
INSERT INTO "sessions" VALUES(1,'5e551011','leads','leads','d1','format = 1
name = "leads"
baseline = "long lead"
[machine]
title = "blower"
[[condition]]
name = "long lead"
[[condition]]
name = "short lead"
[settling]
required = ["power"]
','format = 1
','blower',7,'[{"position": 1, "condition": "long lead", "repeat": 1, "baseline": true}, {"position": 2, "condition": "short lead", "repeat": 1, "baseline": false}]',1.0,'steadybench 0.1.0','2026-01-05T10:00:00.000Z','2026-01-05T10:06:45.000Z','finished');
INSERT INTO "sessions" VALUES(2,'5e551012','leads','leads','d1','format = 1
name = "leads"
baseline = "long lead"
[machine]
title = "blower"
[[condition]]
name = "long lead"
[[condition]]
name = "short lead"
[settling]
required = ["power"]
','format = 1
','blower',7,'[{"position": 1, "condition": "long lead", "repeat": 1, "baseline": true}, {"position": 2, "condition": "short lead", "repeat": 1, "baseline": false}]',1.0,'steadybench 0.1.0','2026-01-07T10:00:00.000Z',NULL,'open');
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
, idle_start_s REAL, idle_end_s REAL, first_reading INTEGER, judged_before INTEGER, newest_channel_id INTEGER) STRICT;
INSERT INTO "trials" VALUES(1,'7a1',1,1,'long lead',1,1,1,'finished',1,100.0,200.0,130.0,190.0,'{"required": ["power"]}','',10.0,70.0,7,NULL,3);
INSERT INTO "trials" VALUES(2,'7a2',1,2,'short lead',1,1,0,'finished',2,300.0,400.0,330.0,390.0,'{"required": ["power"]}','',210.0,270.0,23,33,3);
INSERT INTO "trials" VALUES(3,'7b1',2,1,'long lead',1,1,1,'unfinished',3,100.0,140.0,NULL,NULL,'{}','switched off too soon',NULL,NULL,39,NULL,3);
INSERT INTO "trials" VALUES(4,'7b2',2,1,'long lead',1,2,1,'running',3,160.0,NULL,NULL,NULL,'{}','',NULL,NULL,41,NULL,3);
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
  a.normalised_by, a.reference_v, a.exponent, -- NULL: not normalised
  a.exponent_std_uncertainty, a.exponent_degrees_of_freedom, a.mean_voltage_v,
  a.count, a.effective_count,
  round(a.window_start_s - t.started_s, 6) AS window_start_s, -- from switch-on
  round(a.window_end_s - t.started_s, 6) AS window_end_s,
  coalesce(t.rule_json, '') AS rule_json, s.speed, s.software
  FROM trials t
  JOIN sessions s ON s.id = t.session_id
  JOIN clocks c ON c.id = t.clock_id
  JOIN averages a ON a.trial_id = t.id
  LEFT JOIN channels h ON h.id = a.channel_id
  WHERE a.analysis_id = 0;
CREATE VIEW trial_contributions AS SELECT s.id AS session, s.uuid AS session_id, s.bench, s.plan, s.machine,
  t.id AS trial, t.uuid AS trial_id, t.position, t.condition, t.repeat, t.attempt,
  t.baseline, t.state, strftime('%Y-%m-%dT%H:%M:%fZ', c.utc_us / 1e6 + (t.started_s - c.monotonic_s) / c.speed, 'unixepoch') AS started_utc,
  a.channel, a.unit, a.mean, b.position AS line, b.name, b.kind, b.distribution,
  b.detail, b.std_uncertainty, b.degrees_of_freedom,
  b.std_uncertainty * b.std_uncertainty
    / nullif(a.std_uncertainty * a.std_uncertainty, 0) AS variance_share
  FROM trials t
  JOIN sessions s ON s.id = t.session_id
  JOIN clocks c ON c.id = t.clock_id
  JOIN averages a ON a.trial_id = t.id
  JOIN contributions b ON b.trial_id = a.trial_id AND b.channel = a.channel
    AND b.analysis_id = a.analysis_id
  WHERE a.analysis_id = 0;
CREATE INDEX "readings_meter_by_trial" ON "readings_meter" (trial_id) WHERE trial_id IS NOT NULL;
CREATE VIEW "readings_meter_utc" AS SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc_us / 1e6 + (r.at_s - c.monotonic_s) / c.speed, 'unixepoch') AS utc, r."seq", r."trial_id", r."at_s", r."flags", r."supply_v", r."power_w" FROM "readings_meter" r JOIN clocks c ON c.id = r.clock_id;
CREATE INDEX "readings_gauge_by_trial" ON "readings_gauge" (trial_id) WHERE trial_id IS NOT NULL;
CREATE VIEW "readings_gauge_utc" AS SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc_us / 1e6 + (r.at_s - c.monotonic_s) / c.speed, 'unixepoch') AS utc, r."seq", r."trial_id", r."at_s", r."flags", r."duct_pa" FROM "readings_gauge" r JOIN clocks c ON c.id = r.clock_id;
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('outbox',1);
COMMIT;
