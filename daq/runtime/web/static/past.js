// Stored sessions: the list, and one of them opened on this same page, drawn by the same parts.
//
// The address says which: ?session=3, and ?session=3&trial=7 for the readings of a trial. Nothing of it is live: no
// connection is kept, and the page says so above everything else.

import { Refused, ask } from "./api.js";
import { announceRefusal } from "./answers.js";
import { adoptStored, replaceTraces, showSpan } from "./bench.js";
import { openSheet } from "./dialog.js";
import { duration, find, make, makeShape, put, setShape } from "./writing.js";

const wanted = new URLSearchParams(location.search);

export const isPast = () => wanted.has("session");
export const trialAddress = (trial) => `?session=${encodeURIComponent(wanted.get("session"))}&trial=${trial}`;

const day = (utc) => utc.slice(0, 10);
const minute = (utc) => `${utc.slice(0, 10)} ${utc.slice(11, 16)}`;

// ---------------------------------------------------------------- the list

export async function openSessions() {
  try {
    const { sessions } = await ask("/api/sessions");
    const some = make("p", { text: "Each opens on this page, as it was left. Times in UTC." });
    const none = make("p", { text: "No session is stored yet." });
    const parts = sessions.length === 0 ? [none] : [some, makeList(sessions)];
    openSheet({ title: "Stored sessions", parts, away: "Close" }).classList.add("wide");
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    announceRefusal(error.message);
  }
}

function makeList(sessions) {
  return make("ol", { className: "sessions", role: "list" }, ...sessions.map(makeSession));
}

function makeSession({ session, plan, machine, started_utc: started, state, trials, finished }) {
  const link = make("a", { text: `Session ${session}` });
  link.href = `?session=${session}`;
  if (wanted.get("session") === String(session)) link.setAttribute("aria-current", "page");
  const far = `${state}, ${trials} ${trials === 1 ? "trial" : "trials"} begun, ${finished} finished`;
  return make("li", {}, link, make("time", { text: minute(started) }), make("span", { text: `${plan}, ${machine}` }), make("small", { text: far }));
}

// ---------------------------------------------------------------- one of them

export async function openPast() {
  const number = wanted.get("session");
  const trialNumber = wanted.get("trial");
  document.body.dataset.past = trialNumber === null ? "session" : "trial";
  try {
    const stored = await ask(`/api/sessions/${encodeURIComponent(number)}`);
    const trial = stored.trials.find((one) => String(one.trial) === trialNumber) ?? null;
    showBanner(...bannerWords(number, stored.trials));
    find("record").after(makeTrials(stored.trials, trial));
    if (trialNumber === null) adoptStored(stored.snapshot);
    else await openTrial(stored.snapshot, trial);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    showMissing(error.status === 404 ? `Session ${number} is not in the store.` : error.message);
  }
}

function bannerWords(number, trials) {
  const date = trials.length === 0 ? [] : [" of ", make("time", { text: day(trials[0].started_utc) })];
  return [`Stored session ${number}`, ...date, ": nothing here is live."];
}

function showBanner(...words) {
  const shape = makeShape();
  setShape(shape, "parted");
  const back = make("a", { className: "word", text: "Back to the live page" });
  back.href = "/";
  const banner = make("section", {}, make("p", {}, shape, make("b", {}, ...words)), back);
  banner.id = "stored";
  banner.setAttribute("aria-label", "Stored session");
  find("banners").before(banner);
}

function showMissing(text) {
  document.body.dataset.past = "missing";
  if (find("stored") === null) showBanner("A stored session was asked for: nothing here is live.");
  find("instruction").replaceChildren(text);
}

async function openTrial(snapshot, trial) {
  if (trial === null) throw new Refused(`Session ${wanted.get("session")} has no trial ${wanted.get("trial")}.`, { status: 400 });
  const { channels } = await ask(`/api/sessions/${encodeURIComponent(wanted.get("session"))}/trials/${trial.trial}/trace`);
  adoptStored(asOfTrial(snapshot, trial));
  showSpan(trial.started_s, trial.ended_s ?? lastOf(channels));
  replaceTraces(channels);
  showHeading(trial);
  find("record").before(find("all")); // What was asked for comes first.
}

const lastOf = (channels) => Math.max(...Object.values(channels).map(({ t }) => t.at(-1) ?? 0));

// The parts draw a trial in hand: here it is the one that was chosen, with its averages in place of live values.
function asOfTrial(snapshot, trial) {
  const line = snapshot.slip.find((one) => one.trial === trial.trial);
  const { trial: number, started_s, run_up_end_s, window_s } = trial;
  return {
    ...snapshot,
    trial: { number, started_s, run_up_end_s, window_s, confirmed: true },
    channels: snapshot.channels.map((channel) => ({ ...channel, ...figuresOf(line?.averages[channel.name]), at_s: null, condition: "stored" })),
  };
}

function figuresOf(average) {
  if (average === undefined) return { value: null, mean: null, expanded_uncertainty: null };
  const { mean, expanded_uncertainty, decimals } = average;
  return { value: mean, mean, expanded_uncertainty, decimals };
}

function showHeading({ trial, condition, repeat, state }) {
  put(find("channels-title"), `Readings of trial ${trial}: ${condition}, repeat ${repeat}, ${state}`);
  const key = "The whole trial, times from its switch-on. Hatched: running up. Shaded: what was averaged, with its mean and, as a strip, its uncertainty.";
  put(find("channels-key"), key);
}

// ---------------------------------------------------------------- its trials

function makeTrials(trials, chosen) {
  const heading = make("h2", { text: "Its trials" });
  heading.id = "trials-title";
  const small = make("small", { text: "with the readings of each; times in UTC" });
  heading.append(" ", small);
  const rows = trials.map((trial) => makeTrial(trial, trial === chosen));
  const section = make("section", {}, heading, make("ol", { className: "trials", role: "list" }, ...rows));
  section.setAttribute("aria-labelledby", heading.id);
  return section;
}

function makeTrial(trial, isChosen) {
  const link = make("a", { text: `Trial ${trial.trial}` });
  link.href = trialAddress(trial.trial);
  if (isChosen) link.setAttribute("aria-current", "page");
  const lasted = trial.ended_s === null ? "" : `, ran ${duration(trial.ended_s - trial.started_s)}`;
  const name = `${trial.condition}, repeat ${trial.repeat}${trial.attempt > 1 ? `, attempt ${trial.attempt}` : ""}`;
  const state = [`${trial.state}${lasted}`, trial.note].filter(Boolean).join("; ");
  return make("li", {}, link, make("time", { text: minute(trial.started_utc) }), make("span", { text: name }), make("small", { text: state }));
}
