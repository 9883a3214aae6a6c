// The operator's hand: what can be asked of the bench at this moment, as words to press.
//
// Only what can be done now is offered; whether it is done is the bench's to say, and its sentence is shown. A reader sees
// how to come to more, and no control.

import { access, enter, mayOperate, openRole, refresh, roleWord, watchAccess, wayIn } from "./access.js";
import { announce, announceRefusal, makeAnswer } from "./answers.js";
import { Refused, tell } from "./api.js";
import { bench } from "./bench.js";
import { drawSheetAlarms, openSheet } from "./dialog.js";
import { makeText, makeWord } from "./fields.js";
import { isLost } from "./link.js";
import { isPast, openSessions } from "./past.js";
import { drawRowButtons } from "./rows.js";
import { isSounding, silence, soundWord, startSound, toggleSound } from "./sound.js";
import { openStarting } from "./starting.js";
import { find, make, put, syncList } from "./writing.js";

export { makeRowButton } from "./rows.js";

// What stays stands first, so that nothing moves under the finger; what comes and goes follows.
const CONTROLS = [
  { key: "start", word: () => "Start a session…", isOffered: isFree, act: openStarting },
  { key: "pace", word: (now) => (isPaused(now) ? "Go on" : "Pause"), isOffered: isOpen, act: changePace },
  { key: "switched", word: wordOfSwitched, isOffered: (now) => isOpen(now) || isLeftRunning(now), act: () => order("switched") },
  { key: "note", word: () => "Note…", isOffered: () => true, act: openNote },
  { key: "stop", word: () => "Stop for now…", isOffered: isOpen, act: openStop },
  { key: "repeat", word: wordOfRepeat, isOffered: ({ repeat_offer: offer }) => Boolean(offer), act: repeatOffered },
  { key: "put-away", word: wordOfEnd, isOffered: isLeftStanding, act: () => order("stop") },
  { key: "skip", word: () => "Leave out this line…", isOffered: isCalling, act: openSkip },
  { key: "acknowledge", word: () => "Acknowledge: it may run on", isOffered: ({ overdue }) => overdue, act: () => order("acknowledge") },
];

const controls = make("div", { className: "controls", role: "group" });
const quiet = make("p", { className: "quiet" });
const pending = new Set();

// Resolves once it is known what this browser may do: before that nothing may be asked of the bench.
export async function startOperating() {
  controls.setAttribute("aria-label", "Operator's controls");
  find("hand").append(controls, quiet, makeAnswer());
  const paths = [{ key: "sessions", act: openSessions }, { key: "sound", act: pressSound }, { key: "silence", act: pressSilence }, { key: "role", act: openRole }];
  for (const { key, act } of paths) find("paths").append(makePath(key, act));
  find("hand").hidden = false;
  startSound(drawPaths);
  watchAccess(() => drawOperating(bench.snapshot));
  await enter();
  drawOperating(bench.snapshot);
}

export function drawOperating(snapshot) {
  const offered = snapshot !== null && mayOperate() && !isLost() && !isPast() ? CONTROLS.filter(({ isOffered }) => isOffered(snapshot)) : [];
  const hadFocus = controls.contains(document.activeElement);
  syncList(controls, offered, { keyOf: ({ key }) => key, create: makeControl, update: (node, control) => drawControl(node, control, snapshot) });
  // A control that has gone leaves the keyboard with its neighbour, not at the top of the page.
  if (hadFocus && !controls.contains(document.activeElement)) controls.firstElementChild?.focus();
  controls.hidden = offered.length === 0;
  put(quiet, quietText());
  quiet.hidden = quietText() === "";
  drawNotice();
  drawRowButtons(snapshot);
  drawPaths();
  if (snapshot !== null) drawSheetAlarms(isPast() ? [] : snapshot.alarms.map(({ text }) => text));
}

function quietText() {
  if (isPast()) return "";
  if (mayOperate()) return isLost() ? "Nothing can be asked of the bench while the connection is lost." : "";
  return wayIn();
}

// What should be known of the way here stands on the page itself, for everybody who looks at it.
function drawNotice() {
  const { notice } = access();
  put(find("notice"), notice);
  find("notice").hidden = notice === "";
}

function makeControl({ key, act }) {
  const button = makeWord("", act);
  button.dataset.control = key;
  return button;
}

function drawControl(button, { key, word }, snapshot) {
  put(button, word(snapshot));
  const busy = String(pending.has(key));
  if (button.getAttribute("aria-busy") !== busy) button.setAttribute("aria-busy", busy);
}

// ---------------------------------------------------------------- what can be done now

function isOpen({ session }) {
  return session !== null && session.state !== "finished";
}

// A service that ends with its session carries out no other.
function isFree(now) {
  return !isOpen(now) && !now.ends_with_session;
}

// With a service that goes on, a finished session stands until it is put away: it can be asked for more. One that ends with
// it stands as long as it asks whether a trial is to be repeated.
function isLeftStanding({ session, ends_with_session: endsWithIt, repeat_offer: offer }) {
  return session?.state === "finished" && (!endsWithIt || Boolean(offer));
}

function wordOfEnd({ ends_with_session: endsWithIt }) {
  return endsWithIt ? "End the session" : "Put this session away";
}

function wordOfRepeat({ repeat_offer: { condition, repeat } }) {
  return `Repeat ${repeat > 1 ? `${condition}, repeat ${repeat}` : condition}`;
}

// Without a session that is open only a machine that was left running makes the bench's instruction one of danger.
function isLeftRunning(now) {
  return !isOpen(now) && now.urgency === "danger";
}

function wordOfSwitched(now) {
  return isLeftRunning(now) ? "It was switched off" : "Machine switched by hand";
}

function isPaused({ session }) {
  return session?.state === "paused";
}

function isCalling(now) {
  return isOpen(now) && now.trial === null && now.condition !== null;
}

// ---------------------------------------------------------------- at once

// One press is one request: a second press while the first is under way does nothing.
async function order(name, { key = name, body = {} } = {}) {
  if (pending.has(key)) return;
  pending.add(key);
  try {
    announce((await tell(`/api/session/${name}`, body)).text);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    announceRefusal(error.message);
    if (error.status === 401) await refresh();
  } finally {
    pending.delete(key);
    drawOperating(bench.snapshot);
  }
}

function changePace() {
  return order(isPaused(bench.snapshot) ? "go-on" : "pause", { key: "pace" });
}

function repeatOffered() {
  return order("repeat", { body: { position: bench.snapshot.repeat_offer.position, instead_because: "" } });
}

// ---------------------------------------------------------------- with a question first

function openNote() {
  const text = makeText("What is worth keeping", { name: "text", rows: 3, needed: "Write the note first." });
  const field = text.querySelector("textarea");
  // A note is of one line: Enter sends it.
  field.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.isComposing) return;
    event.preventDefault();
    field.form.requestSubmit();
  });
  openSheet({
    title: "Note",
    parts: [make("p", { text: "It is kept among the events, and with the trial in hand if there is one." }), text],
    submit: "Keep the note",
    focus: field,
    act: async (data) => (await tell("/api/session/note", { text: data.get("text") })).text,
  });
}

function openSkip() {
  const { condition } = bench.snapshot;
  const reason = makeText("Reason, if there is one worth keeping", { name: "reason" });
  openSheet({
    title: `Leave out ${condition.name}`,
    parts: [make("p", { text: "This line is not measured; the next one is called for. It can be called for again from the slip." }), reason],
    submit: "Leave it out",
    focus: reason.querySelector("input"),
    act: async (data) => (await tell("/api/session/skip", { reason: data.get("reason") })).text,
  });
}

function openStop() {
  const lost = bench.snapshot.trial === null ? "" : "The trial in hand is left unfinished, and that cannot be undone. ";
  const unwatched = "If the machine runs, switch it off first: without a session nothing watches its limits or its time.";
  openSheet({
    title: "Stop for now",
    parts: [make("p", { text: `${lost}What has been measured is kept, and the session can be taken up again. ${unwatched}` })],
    submit: "Stop the session",
    act: async () => (await tell("/api/session/stop")).text,
  });
}

// ---------------------------------------------------------------- paths

function makePath(key, act) {
  const button = make("button");
  button.type = "button";
  button.dataset.path = key;
  button.addEventListener("click", act);
  return button;
}

function drawPaths() {
  const words = { sessions: "Sessions", sound: isPast() ? "" : soundWord(), silence: isSounding() ? "Silence the signal" : "", role: `Role: ${roleWord()}` };
  for (const [key, word] of Object.entries(words)) {
    const button = document.querySelector(`#paths [data-path="${key}"]`);
    put(button, word);
    button.hidden = word === "";
  }
}

function pressSound() {
  announce(toggleSound());
  drawPaths();
}

function pressSilence() {
  announce(silence());
  drawPaths();
  document.querySelector('#paths [data-path="sound"]').focus();
}
