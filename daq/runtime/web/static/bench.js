// What the bench has said so far: its snapshot, its clock, the traces; and how old each of its figures is.
//
// Times are bench seconds unless a name says "real". In a demonstration bench time runs faster than life. A stored
// session is shown by the same means: its clock stands still, and nothing in it grows old.

import { forgetFunnels } from "./funnels.js";
import { ROUNDING_S, StoredTrace, Trace } from "./traces.js";

// Wire and browser jitter is real time. When bench time runs fast it looks that many times longer, and would make
// fresh values flicker "old"; at speed 1 this allowance is nothing.
const JITTER_REAL_S = 0.4;
const NOTHING_STORED = { t: [], v: [] };

// `span`: from when until when the charts show a stored trial; null where they show the last minutes.
export const bench = { snapshot: null, stored: false, span: null };
const traces = new Map(); // channel name -> its trace
let anchor = { now_s: 0, real_ms: 0 };

export const realSeconds = (since_ms) => (performance.now() - since_ms) / 1000;
export const speed = () => bench.snapshot?.clock.speed ?? 1;
export const nowSeconds = () => anchor.now_s + (bench.stored ? 0 : realSeconds(anchor.real_ms) * speed());

// What was the present when the bench was last heard: ages go on from there, pictures do not.
export const heardSeconds = (silence_real_s) => nowSeconds() - silence_real_s * speed();

export function setNow(now_s) {
  anchor = { now_s, real_ms: performance.now() };
}

// After the last trial of a single run the bench's program ends by itself: its silence is then no ailment. While it asks
// whether a trial is to be repeated it does not.
export const isFinished = () =>
  bench.snapshot?.session?.state === "finished" && bench.snapshot.ends_with_session && !bench.snapshot.repeat_offer;

// The slip's average of the trial in hand, as soon as there is one.
export function averageInHand({ name }) {
  return bench.snapshot.slip.find(({ state }) => state === "running")?.averages[name] ?? null;
}

// ---------------------------------------------------------------- what the bench tells

// Takes a whole snapshot, or the parts of it that have changed. Parts alone are worth nothing before there is a whole.
export function adopt(parts, { restarted = false } = {}) {
  if (bench.snapshot === null && parts.format === undefined) return;
  const before = bench.snapshot;
  const snapshot = { ...before, ...parts };
  if (before !== null && !restarted) keepNewerReadings(snapshot.channels, before.channels);
  if (before?.trial?.started_s !== snapshot.trial?.started_s) forgetFunnels();
  bench.snapshot = snapshot;
  setNow(snapshot.clock.now_s);
  dropTakenBack();
}

function dropTakenBack() {
  for (const { channel, at_s } of bench.snapshot.taken_back ?? []) traces.get(channel)?.drop(at_s);
}

// What came by as a reading since the channels were told of is newer than what they tell. A typed one may be taken back.
function keepNewerReadings(channels, known) {
  if (channels === known) return;
  const before = new Map(known.map((channel) => [channel.name, channel]));
  for (const channel of channels) {
    if (channel.typed) continue;
    const { value, at_s, condition } = before.get(channel.name) ?? {};
    if (at_s > (channel.at_s ?? -Infinity) + ROUNDING_S) Object.assign(channel, { value, at_s, condition });
  }
}

export function takeReading({ at_s, values }) {
  if (at_s > nowSeconds()) setNow(at_s);
  for (const channel of bench.snapshot?.channels ?? []) {
    if (!(channel.name in values)) continue;
    const value = values[channel.name];
    traceOf(channel).append(at_s, value);
    // A single gap leaves the last value standing with its own age; the age tells when it is old.
    if (value !== null && !(channel.at_s >= at_s)) Object.assign(channel, { value, at_s, condition: "ok" });
  }
}

export function adoptStored(snapshot) {
  bench.stored = true;
  bench.snapshot = snapshot;
  setNow(snapshot.clock.now_s);
}

export function showSpan(from_s, until_s) {
  bench.span = [from_s, until_s];
}

// ---------------------------------------------------------------- traces

export function traceOf(channel) {
  if (!traces.has(channel.name)) traces.set(channel.name, new Trace(oldAfter(channel)));
  return traces.get(channel.name);
}

// A service that was started anew knows what it had stored, but not the last second before a kill: this page may, and keeps
// it. After the computer was started anew the bench's clock begins again, and what is known lies beyond all that is told.
export function replaceTraces(told, readingsSince = []) {
  const known = new Map([...traces].map(([name, trace]) => [name, trace.points()]));
  traces.clear();
  for (const channel of bench.snapshot.channels) {
    const points = told[channel.name] ?? NOTHING_STORED;
    if (bench.stored) {
      traces.set(channel.name, new StoredTrace(points));
      continue;
    }
    const trace = traceOf(channel);
    const [t, v] = known.get(channel.name) ?? [[], []];
    const [first_s, last_s] = [points.t[0] ?? Infinity, points.t.at(-1) ?? Infinity];
    // A silence that this page marked may be one of the page's own, and filled now.
    const own = pairs(t, v).filter(([at_s, value]) => at_s < first_s || (at_s < last_s && value !== null));
    const all = [...own, ...pairs(points.t, points.v)].sort(([a_s], [b_s]) => a_s - b_s);
    for (const [at_s, value] of all) trace.append(at_s, value);
  }
  for (const reading of readingsSince) takeReading(reading);
  if (!bench.stored) dropTakenBack();
}

const pairs = (t, v) => t.map((at_s, i) => [at_s, v[i]]);

// ---------------------------------------------------------------- ages

const oldAfter = ({ interval_s }) => Math.max(2, 2.5 * interval_s);

export const ageOf = ({ at_s }) => (at_s === null ? null : Math.max(0, nowSeconds() - at_s));

export function isOld(channel) {
  if (channel.at_s === null || bench.stored || channel.typed) return false; // What is typed comes when it is asked for.
  const allowance = JITTER_REAL_S * Math.max(0, speed() - 1);
  return ["old", "silent"].includes(channel.condition) || ageOf(channel) > oldAfter(channel) + allowance;
}
