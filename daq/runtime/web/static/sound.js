// Two signals on demand: rising notes when it is the operator's turn, harsh falling ones when something is wrong.
//
// Made by the browser, no file. Off until somebody wants them; remembered by this browser. Nothing sounds twice within
// ten seconds, and what is wrong sounds again until it is over or silenced.

import { bench, isFinished } from "./bench.js";
import { isLost } from "./link.js";
import { withoutFigures, withoutSeconds } from "./writing.js";

const PAUSE_REAL_MS = 10000;
const KEPT = "steadybench.sound";

// frequency in Hz, beginning and length in s
const SIGNALS = {
  turn: { type: "sine", loudness: 0.35, notes: [[660, 0, 0.18], [880, 0.22, 0.4]] },
  wrong: { type: "square", loudness: 0.2, notes: [[523, 0, 0.16], [392, 0.2, 0.16], [523, 0.4, 0.16], [392, 0.6, 0.16], [262, 0.8, 0.5]] },
};

const sound = {
  context: null,
  on: remembered(),
  turn: null, // what the operator was last asked for
  wrongs: [],
  silenced: new Set(),
  sounded_ms: { turn: -Infinity, wrong: -Infinity },
  changed: () => {},
};

// ---------------------------------------------------------------- the switch

export function startSound(changed) {
  sound.changed = changed;
  // A browser plays nothing before the page was touched once.
  for (const kind of ["pointerdown", "keydown"]) addEventListener(kind, wake, { capture: true, passive: true });
}

export function soundWord() {
  if (!sound.on) return "Sound: off";
  return isAwake() ? "Sound: on" : "Sound: on, touch the page once";
}

export const isSounding = () => sound.on && isAwake() && unsilenced().length > 0;

export function toggleSound() {
  sound.on = !sound.on;
  remember(sound.on);
  if (!sound.on) return "Sound is off.";
  wake();
  play("turn", 0);
  play("wrong", 1.2);
  return "Sound is on and tries it now: two rising notes for your turn, harsh falling ones when something is wrong.";
}

export function silence() {
  for (const wrong of sound.wrongs) sound.silenced.add(wrong);
  return "Silenced. What goes wrong next sounds again.";
}

const isAwake = () => sound.context?.state === "running";

function wake() {
  if (!sound.on || isAwake()) return;
  sound.context ??= new AudioContext();
  sound.context.addEventListener("statechange", sound.changed, { once: true });
  sound.context.resume();
}

function remembered() {
  try {
    return localStorage.getItem(KEPT) === "on";
  } catch {
    return false; // Storage may be forbidden: then it is forgotten when the page is closed.
  }
}

function remember(on) {
  try {
    localStorage.setItem(KEPT, on ? "on" : "off");
  } catch {
    // As above.
  }
}

// ---------------------------------------------------------------- listening

export function attend(at_ms = performance.now()) {
  if (bench.snapshot === null) return;
  const turn = turnOf(bench.snapshot);
  const isNew = turn !== null && sound.turn !== null && turn !== sound.turn;
  sound.turn = turn ?? "";
  sound.wrongs = wrongsOf(bench.snapshot);
  sound.silenced = new Set(sound.wrongs.filter((wrong) => sound.silenced.has(wrong)));
  if (!sound.on || !isAwake()) return;
  if (unsilenced().length > 0) soundOnce("wrong", at_ms);
  else if (isNew) soundOnce("turn", at_ms);
}

const unsilenced = () => sound.wrongs.filter((wrong) => !sound.silenced.has(wrong));

// What the operator is asked to do, null while there is nothing to do; counting seconds make it no other request.
function turnOf({ urgency, stage, instruction }) {
  if (stage.name === "done") return "done";
  return urgency === "action" ? withoutSeconds(instruction) : null;
}

function wrongsOf({ alarms, instruments, store }) {
  if (isLost()) return isFinished() ? [] : ["bench"];
  const ill = instruments.filter(({ state }) => state !== "ok" && state !== "waiting");
  const wrongs = [...alarms.map(({ text }) => withoutFigures(text)), ...ill.map(({ name }) => `meter ${name}`)];
  return store.state === "ok" ? wrongs : [...wrongs, "store"];
}

function soundOnce(signal, at_ms) {
  if (at_ms - sound.sounded_ms[signal] < PAUSE_REAL_MS) return;
  sound.sounded_ms[signal] = at_ms;
  play(signal, 0);
}

// ---------------------------------------------------------------- playing

function play(signal, after_s) {
  const { type, loudness, notes } = SIGNALS[signal];
  for (const [frequency_hz, from_s, length_s] of notes) {
    playNote({ type, loudness, frequency_hz, at_s: sound.context.currentTime + after_s + from_s, length_s });
  }
}

// The ends are rounded: a tone that is cut off clicks.
function playNote({ type, loudness, frequency_hz, at_s, length_s }) {
  const { context } = sound;
  const oscillator = new OscillatorNode(context, { type, frequency: frequency_hz });
  const gain = new GainNode(context, { gain: 0 });
  gain.gain.setValueAtTime(0, at_s);
  gain.gain.linearRampToValueAtTime(loudness, at_s + 0.02);
  gain.gain.setValueAtTime(loudness, at_s + length_s - 0.04);
  gain.gain.linearRampToValueAtTime(0, at_s + length_s);
  oscillator.connect(gain).connect(context.destination);
  oscillator.start(at_s);
  oscillator.stop(at_s + length_s);
}
