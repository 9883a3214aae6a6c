// What the bench has said so far: its snapshot, its clock, the traces; and how old each of its figures is.
//
// Times are bench seconds unless a name says "real". In a demonstration bench time runs faster than life.

import { Trace } from "./traces.js";

// Wire and browser jitter is real time. When bench time runs fast it looks that many times longer, and would make
// fresh values flicker "old"; at speed 1 this allowance is nothing.
const JITTER_REAL_S = 0.4;

export const bench = { snapshot: null };
const traces = new Map(); // channel name -> Trace
let anchor = { now_s: 0, real_ms: 0 };

export const realSeconds = (since_ms) => (performance.now() - since_ms) / 1000;
export const speed = () => bench.snapshot?.clock.speed ?? 1;
export const nowSeconds = () => anchor.now_s + realSeconds(anchor.real_ms) * speed();

// What was the present when the bench was last heard: ages go on from there, pictures do not.
export const heardSeconds = (silence_real_s) => nowSeconds() - silence_real_s * speed();

export function setNow(now_s) {
  anchor = { now_s, real_ms: performance.now() };
}

// After the last trial the bench's program ends by itself: its silence is then no ailment.
export const isFinished = () => bench.snapshot?.session.state === "finished";

// The slip's average of the trial in hand, as soon as there is one.
export function averageInHand({ name }) {
  return bench.snapshot.slip.find(({ state }) => state === "running")?.averages[name] ?? null;
}

// What came by as a reading since the snapshot was taken is newer than the snapshot.
export function adopt(snapshot) {
  const before = new Map(bench.snapshot?.channels.map((channel) => [channel.name, channel]) ?? []);
  const restarted = snapshot.clock.now_s < (bench.snapshot?.clock.now_s ?? 0);
  for (const channel of snapshot.channels) {
    const { value, at_s, condition } = before.get(channel.name) ?? {};
    if (!restarted && at_s > (channel.at_s ?? -Infinity)) Object.assign(channel, { value, at_s, condition });
  }
  bench.snapshot = snapshot;
  setNow(snapshot.clock.now_s);
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

// ---------------------------------------------------------------- traces

export function traceOf(channel) {
  if (!traces.has(channel.name)) traces.set(channel.name, new Trace(oldAfter(channel)));
  return traces.get(channel.name);
}

export function replaceTraces(stored, collected) {
  traces.clear();
  for (const channel of bench.snapshot.channels) {
    const trace = traceOf(channel);
    const { t, v } = stored[channel.name] ?? { t: [], v: [] };
    t.forEach((at_s, i) => trace.append(at_s, v[i]));
  }
  for (const reading of collected) takeReading(reading);
}

// ---------------------------------------------------------------- ages

const oldAfter = ({ interval_s }) => Math.max(2, 2.5 * interval_s);

export const ageOf = ({ at_s }) => (at_s === null ? null : Math.max(0, nowSeconds() - at_s));

export function isOld(channel) {
  if (channel.at_s === null) return false;
  const allowance = JITTER_REAL_S * Math.max(0, speed() - 1);
  return ["old", "silent"].includes(channel.condition) || ageOf(channel) > oldAfter(channel) + allowance;
}
