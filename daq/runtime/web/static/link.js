// The way from the bench to this page: one event stream, and a watchdog that notices when it falls silent.
//
// After every (re)connection state and trace are fetched, so that nothing that happened meanwhile is missing. Only GET
// is ever sent. All times here are real ones.

import { adopt, realSeconds, replaceTraces, setNow, takeReading } from "./bench.js";

const LOST_AFTER_S = 3;
const REDIAL_AFTER_SILENCE_S = 10; // A half-open connection raises no error: after this much silence we dial again.
const REDIAL_AFTER_REFUSAL_S = 3;
const TICK_MS = 250;

const link = {
  source: null,
  heard_ms: performance.now(),
  dialled_ms: 0,
  failed: false, // the browser has reported an error and nothing was heard since
  stated: false, // this connection has brought a snapshot
  caughtUp: false, // state and trace were fetched for this connection
  collecting: null, // readings that arrive while they are fetched
  changed: () => {},
};

export const silence_s = () => realSeconds(link.heard_ms);
export const isLost = () => link.failed || silence_s() > LOST_AFTER_S;

export function connect({ changed }) {
  link.changed = changed;
  dial();
  setInterval(watch, TICK_MS);
}

function heard() {
  const missed = link.caughtUp && isLost();
  link.heard_ms = performance.now();
  link.failed = false;
  if (missed) catchUp(); // The same connection after a silence or a sleep.
  link.changed();
}

async function fetchJson(path) {
  const reply = await fetch(path, { cache: "no-store" });
  if (!reply.ok) throw new Error(`${path}: ${reply.status}`);
  return reply.json();
}

async function catchUp() {
  const collected = [];
  link.collecting = collected;
  const answers = await Promise.allSettled([fetchJson("/api/state"), fetchJson("/api/trace")]);
  if (link.collecting !== collected) return; // A later connection has taken over.
  link.collecting = null;
  // Left undone it stays not caught up, and the watchdog dials again.
  if (answers.some(({ status }) => status === "rejected")) return;
  const [snapshot, trace] = answers.map(({ value }) => value);
  if (!link.stated) adopt(snapshot); // A snapshot that the stream brought meanwhile is the newer one.
  replaceTraces(trace.channels, collected);
  heard();
  link.caughtUp = true;
}

const TAKERS = {
  state(snapshot) {
    link.stated = true;
    adopt(snapshot);
  },
  reading(reading) {
    link.collecting?.push(reading);
    takeReading(reading);
  },
  beat: ({ now_s }) => setNow(now_s),
};

function dial() {
  link.source?.close();
  const source = new EventSource("/api/live");
  Object.assign(link, { source, dialled_ms: performance.now(), collecting: null });
  for (const [name, take] of Object.entries(TAKERS)) {
    source.addEventListener(name, ({ data }) => {
      take(JSON.parse(data));
      heard();
    });
  }
  source.addEventListener("open", () => {
    Object.assign(link, { dialled_ms: performance.now(), stated: false, caughtUp: false });
    catchUp();
  });
  source.addEventListener("error", () => {
    link.failed = true;
    link.changed();
  });
}

// The browser redials by itself, but not after a refusal, and it does not notice a connection that merely fell silent.
function watch() {
  const { readyState } = link.source;
  const refused = readyState === EventSource.CLOSED || (readyState === EventSource.OPEN && !link.caughtUp);
  const dialled_s = realSeconds(link.dialled_ms);
  const overdue = silence_s() > REDIAL_AFTER_SILENCE_S && dialled_s > REDIAL_AFTER_SILENCE_S;
  if ((refused && dialled_s > REDIAL_AFTER_REFUSAL_S) || overdue) dial();
  link.changed();
}
