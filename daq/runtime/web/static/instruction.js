// The head of the slip and the one sentence that must be readable across the room, with its progress.

import { bench, nowSeconds } from "./bench.js";
import { isLost } from "./link.js";
import { bound, clockTime, find, make, makeShape, put, setShape, syncList, withoutSeconds } from "./writing.js";

const URGENCY_WORDS = { action: "Your turn", wait: "Wait", danger: "Danger", normal: "All well" };
// Nobody is waited for, and nothing goes on: a meaning of its own, whatever the sentence asks for.
const RESTING = { paused: "Paused", idle: "Idle" };
const TRIAL_STAGES = [
  { name: "waiting", word: "waiting", shape: "wait" },
  { name: "running-up", word: "running up", shape: "rising" },
  { name: "settling", word: "settling", shape: "funnel" },
  { name: "averaging", word: "averaging", shape: "averaging" },
  { name: "done", word: "done", shape: "done" },
];
const OTHER_STAGES = [
  { name: "not-settled", word: "not settled", shape: "abnormal" },
  { name: "limit", word: "a limit is broken", shape: "danger" },
  { name: "finished", word: "finished", shape: "done" },
  { name: "paused", word: "paused", shape: "paused" },
  { name: "idle", word: "idle", shape: "idle" },
];
const FITS = [1.4, 1, 0.86, 0.75, 0.65]; // The first is for one line, which then fills the room of two.
const NARROW_PX = 752; // 47rem, as in page.css

export function drawHead({ bench: name, machine, clock, session }) {
  put(find("machine"), machine || `Bench ${name}`);
  put(find("session"), session === null ? "no session" : `${machine ? `bench ${name}, ` : ""}session ${session.number}, ${howFar(session)}`);
  find("demonstration").hidden = clock.speed === 1;
  const pace = clock.speed >= 1 ? `${clock.speed} times as fast as` : `at ${clock.speed} of the pace of`;
  put(find("demonstration"), `Demonstration: time runs ${pace} life.`);
  find("clock").hidden = bench.stored;
  if (!isLost()) drawClock(clock); // A clock that went on would vouch for what stands below it.
}

function howFar({ state, done, total, skipped }) {
  const left_out = skipped > 0 ? `, ${skipped} skipped` : "";
  if (state === "finished") return `finished${left_out}`;
  return `${state === "paused" ? "paused, " : ""}${done} of ${total} trials done${left_out}`;
}

// Bench time may run fast; the time of day never does.
function drawClock(clock) {
  const passed_real_s = (nowSeconds() - clock.now_s) / clock.speed;
  const utc = new Date(Date.parse(clock.utc) + passed_real_s * 1000);
  put(find("clock"), `${clockTime(utc.toISOString())} UTC`);
}

export function drawInstruction({ instruction: sentence, urgency, stage, trial }) {
  const instruction = bound(sentence);
  const rest = urgency === "danger" ? undefined : RESTING[stage.name];
  document.body.dataset.urgency = urgency;
  document.body.dataset.trial = trial === null ? "none" : "in hand";
  put(find("urgency-word"), rest ?? URGENCY_WORDS[urgency]);
  setShape(find("urgency").firstElementChild, rest ? stage.name : urgency);
  put(find("stage"), bound(stage.sentence));
  say(find("instruction"), instruction);
  const title = `${isLost() ? "Connection lost" : instruction} – steadybench`;
  if (document.title !== title) document.title = title;
}

function say(heading, instruction) {
  const words = withoutSeconds(instruction);
  if (heading.dataset.words === words) {
    put(heading, instruction);
    return;
  }
  heading.dataset.words = words;
  heading.replaceChildren(instruction);
  fitInstruction();
}

// Only when the words change or the window does: a sentence that counts down keeps its size.
export function fitInstruction() {
  const heading = find("instruction");
  heading.style.minBlockSize = "0"; // The kept room would hide how many lines there are.
  const most = window.innerWidth < NARROW_PX ? 4 : 2;
  for (const fit of FITS) {
    heading.style.setProperty("--fit", fit);
    const lines = fit > 1 ? 1 : most;
    if (heading.clientHeight <= (lines + 0.5) * parseFloat(getComputedStyle(heading).lineHeight)) break;
  }
  heading.style.minBlockSize = "";
}

// Where in a trial we are: the stages in their order, or the one that is out of order.
export function drawProgress({ stage: { name, progress, time_left: left } }) {
  const other = OTHER_STAGES.find((stage) => stage.name === name);
  syncList(find("stages"), bench.stored ? [] : other ? [other] : TRIAL_STAGES, {
    keyOf: (stage) => stage.name,
    create: makeStage,
    update: (node, stage) => {
      if (stage.name === name) node.setAttribute("aria-current", "step");
      else node.removeAttribute("aria-current");
    },
  });
  const share = progress === null ? 0 : Math.min(1, Math.max(0, progress));
  const bar = find("bar");
  bar.hidden = bench.stored;
  bar.firstElementChild.style.transform = `scaleX(${Math.round(share * 1000) / 1000})`;
  if (progress === null) bar.removeAttribute("aria-valuenow");
  else bar.setAttribute("aria-valuenow", Math.round(share * 100));
  put(find("left"), bound(left));
}

function makeStage({ word, shape }) {
  const svg = makeShape();
  setShape(svg, shape);
  return make("li", {}, svg, make("span", { text: word }));
}
