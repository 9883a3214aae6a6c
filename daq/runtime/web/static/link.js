// The way from the bench to this page: one event stream, and a watchdog that notices when it falls silent.
//
// After every (re)connection, and after a silence on the same one, state, trace and funnels are fetched whole, so that
// nothing that happened meanwhile is missing. Only GET is ever sent. All times here are real ones.

import { adopt, bench, realSeconds, replaceTraces, setNow, takeReading } from "./bench.js";
import { replaceFunnels, takeFunnelPoint } from "./funnels.js";

const LOST_AFTER_S = 3;
const REDIAL_AFTER_SILENCE_S = 10; // A half-open connection raises no error: after this much silence we dial again.
const REDIAL_AFTER_REFUSAL_S = 3;
const TICK_MS = 250;
const WHOLES = ["/api/state", "/api/trace", "/api/funnel"];

const link = {
  source: null,
  heard_ms: performance.now(),
  dialled_ms: 0,
  failed: false, // the browser has reported an error and nothing was heard since
  stated: false, // this connection has brought a snapshot
  before_s: -Infinity, // bench time that was known when it was opened
  caughtUp: false, // everything was fetched for this connection
  collecting: null, // what arrives while it is fetched
  changed: () => {},
};

export const silence_s = () => realSeconds(link.heard_ms);
export const isLost = () => !bench.stored && (link.failed || silence_s() > LOST_AFTER_S);

// `changed` is told "figures" where nothing but readings and time have come, so that these need not wait for the rest.
export function connect({ changed }) {
  link.changed = changed;
  dial();
  setInterval(watch, TICK_MS);
}

function heard(what) {
  const missed = link.caughtUp && isLost();
  link.heard_ms = performance.now();
  link.failed = false;
  if (missed) catchUp(); // The same connection after a silence or a sleep.
  link.changed(missed ? "all" : what);
}

async function fetchJson(path) {
  const reply = await fetch(path, { cache: "no-store" });
  if (!reply.ok) throw new Error(`${path}: ${reply.status}`);
  return reply.json();
}

async function catchUp() {
  const collected = { state: [], reading: [], funnel: [] };
  link.collecting = collected;
  const answers = await Promise.allSettled(WHOLES.map(fetchJson));
  if (link.collecting !== collected) return; // A later connection has taken over.
  link.collecting = null;
  link.caughtUp = false;
  // Left undone it stays not caught up, and the watchdog dials again.
  if (answers.some(({ status }) => status === "rejected")) return;
  takeWholes(answers.map(({ value }) => value), collected);
  heard("all");
  link.caughtUp = true;
}

function takeWholes([snapshot, trace, funnel], collected) {
  adopt(snapshot);
  // Parts that the stream brought since that snapshot was taken are newer than it.
  for (const parts of collected.state) if (parts.clock.now_s > snapshot.clock.now_s) adopt(parts);
  replaceTraces(trace.channels, collected.reading);
  replaceFunnels(funnel.channels, collected.funnel);
}

const TAKERS = {
  state(parts) {
    // Only the first of a connection can come from a bench that was started anew.
    const restarted = !link.stated && parts.clock.now_s < link.before_s;
    link.stated = true;
    adopt(parts, { restarted });
  },
  reading: takeReading,
  funnel: takeFunnelPoint,
  beat: ({ now_s }) => setNow(now_s),
};
const IN_FIGURES = ["reading", "beat"];

function dial() {
  link.source?.close();
  const source = new EventSource("/api/live");
  Object.assign(link, { source, dialled_ms: performance.now(), collecting: null });
  for (const [name, take] of Object.entries(TAKERS)) {
    source.addEventListener(name, ({ data }) => {
      const told = JSON.parse(data);
      link.collecting?.[name]?.push(told);
      take(told);
      heard(IN_FIGURES.includes(name) ? "figures" : "all");
    });
  }
  source.addEventListener("open", () => {
    const before_s = bench.snapshot?.clock.now_s ?? -Infinity;
    Object.assign(link, { dialled_ms: performance.now(), stated: false, before_s, caughtUp: false });
    catchUp();
  });
  source.addEventListener("error", () => {
    link.failed = true;
    link.changed("all");
  });
}

// The browser redials by itself, but not after a refusal, and it does not notice a connection that merely fell silent.
function watch() {
  const { readyState } = link.source;
  const refused = readyState === EventSource.CLOSED || (readyState === EventSource.OPEN && !link.caughtUp);
  const dialled_s = realSeconds(link.dialled_ms);
  const overdue = silence_s() > REDIAL_AFTER_SILENCE_S && dialled_s > REDIAL_AFTER_SILENCE_S;
  if ((refused && dialled_s > REDIAL_AFTER_REFUSAL_S) || overdue) dial();
  link.changed("all");
}
