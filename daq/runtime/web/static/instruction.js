// The head of the slip and the one sentence that must be readable across the room, with its progress.

import { nowSeconds } from "./bench.js";
import { isLost } from "./link.js";
import { bound, clockTime, find, put, setShape, withoutSeconds } from "./writing.js";

const URGENCY_WORDS = { action: "Your turn", wait: "Wait", danger: "Danger", normal: "All well" };
const FITS = [1.4, 1, 0.86, 0.75, 0.65]; // The first is for one line, which then fills the room of two.
const NARROW_PX = 752; // 47rem, as in page.css

export function drawHead({ bench: name, machine, clock, session }) {
  put(find("machine"), machine);
  const whole = session.state === "finished" ? "finished" : `${session.done} of ${session.total} trials done`;
  put(find("session"), `bench ${name}, session ${session.number}, ${whole}`);
  find("demonstration").hidden = clock.speed === 1;
  const pace = clock.speed >= 1 ? `${clock.speed} times as fast as` : `at ${clock.speed} of the pace of`;
  put(find("demonstration"), `Demonstration: time runs ${pace} life.`);
  if (!isLost()) drawClock(clock); // A clock that went on would vouch for what stands below it.
}

// Bench time may run fast; the time of day never does.
function drawClock(clock) {
  const passed_real_s = (nowSeconds() - clock.now_s) / clock.speed;
  const utc = new Date(Date.parse(clock.utc) + passed_real_s * 1000);
  put(find("clock"), `${clockTime(utc.toISOString())} UTC`);
}

export function drawInstruction({ instruction: sentence, urgency, stage }) {
  const instruction = bound(sentence);
  document.body.dataset.urgency = urgency;
  put(find("urgency-word"), URGENCY_WORDS[urgency]);
  setShape(find("urgency").querySelector("svg"), urgency);
  put(find("stage"), bound(stage.sentence));
  say(find("instruction"), instruction);
  document.title = `${instruction} – steadybench`;
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

export function drawProgress({ stage: { progress, time_left: left } }) {
  const percent = progress === null ? 0 : Math.round(Math.min(1, Math.max(0, progress)) * 1000) / 10;
  const bar = find("bar");
  bar.firstElementChild.style.inlineSize = `${percent}%`;
  if (progress === null) bar.removeAttribute("aria-valuenow");
  else bar.setAttribute("aria-valuenow", Math.round(percent));
  put(find("left"), bound(left));
}
