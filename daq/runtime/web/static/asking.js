// A reading that the bench asks of the operator: the meter has no port, so somebody reads it and types what it shows.
//
// When it is asked for, whether it is a reading and whether it looks like a slip of the finger are the bench's to say. What
// is doubted can be confirmed; what is typed stands until it is kept or something else is asked for. What was not handed
// in in time stays too, and is gone on with when the same channel is asked for again.

import { mayOperate, refresh } from "./access.js";
import { announce } from "./answers.js";
import { Refused, tell } from "./api.js";
import { nowSeconds } from "./bench.js";
import { makeWord } from "./fields.js";
import { isLost } from "./link.js";
import { isPast } from "./past.js";
import { find, make, put, symbol } from "./writing.js";

const LONGEST = 20;

const title = make("h2");
const left = make("small", { className: "left" });
const label = make("label");
const field = make("input");
const refusal = make("div", { className: "refusal", role: "alert" });
const confirm = makeWord("", () => send("reading", { text: doubted, as_typed: true }));
const form = make("form", {}, title, make("div", { className: "field" }, label, field, left), refusal, makeWays());

let shown = ""; // Which asking stands there,
let channel = ""; // of which channel it is,
let isMissed = false; // and whether its time has run out.
let doubted = ""; // What was typed, and may be a slip.
let busy = false;

function makeWays() {
  const keep = make("button", { className: "word first", text: "Keep this reading" });
  keep.type = "submit";
  const away = makeWord("Cannot read it now", () => send("cannot-read", {}));
  return make("div", { className: "controls" }, keep, confirm, away);
}

export function drawAsking(snapshot) {
  const place = find("asking");
  const asking = mayOperate() && !isPast() ? (snapshot?.asking ?? snapshot?.missed ?? null) : null;
  place.hidden = asking === null || isLost();
  const missed = asking !== null && snapshot.asking === null;
  put(left, asking === null || missed ? "" : secondsLeft(asking));
  const key = asking === null ? "" : `${asking.channel} ${asking.since_s} ${missed}`;
  if (key === shown) return;
  const keepsText = channel === asking?.channel && (isMissed || missed);
  [shown, channel, isMissed] = [key, asking?.channel ?? "", missed];
  clear({ keepsText });
  if (asking !== null) open(place, asking);
}

const secondsLeft = ({ until_s }) => `${Math.max(0, Math.ceil(until_s - nowSeconds()))} s left`;

function open(place, { title: name, unit, place: where, decimals, number, least }) {
  if (!place.contains(form)) prepare(place);
  const what = [name, where].filter(Boolean).join(", ");
  if (isMissed) put(title, `${what} was not typed in time; you will be asked again if there is time`);
  else put(title, `${what}: reading ${number > least ? `${number} (${least} are enough)` : `${number} of ${least}`}`);
  put(label, `What the display shows${symbol(unit) && `, in ${symbol(unit)}`}`);
  field.placeholder = (0).toFixed(decimals);
  // Whoever writes elsewhere goes on writing there.
  if (document.activeElement === document.body) field.focus({ preventScroll: true });
}

function prepare(place) {
  title.id = "asking-title";
  Object.assign(field, { id: "asking-text", name: "text", inputMode: "decimal", autocomplete: "off", maxLength: LONGEST, enterKeyHint: "done" });
  label.htmlFor = field.id;
  form.noValidate = true;
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (field.value.trim() === "") refuse("Type first what the display shows.");
    else send("reading", { text: field.value, as_typed: false });
  });
  // Another figure is another answer: nothing is left to confirm.
  field.addEventListener("input", () => clear({ keepsText: true }));
  place.append(form);
}

async function send(operation, answer) {
  if (busy) return;
  busy = true;
  form.setAttribute("aria-busy", "true");
  const own = shown;
  try {
    const { text } = await tell(`/api/session/${operation}`, { channel, ...answer });
    if (own === shown || field.value === answer.text) clear();
    announce(text);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (own === shown) refuse(error.message, error.code === "doubted" ? answer.text : "");
    if (error.status === 401) await refresh();
  } finally {
    busy = false;
    form.removeAttribute("aria-busy");
  }
}

function refuse(text, asTyped = "") {
  doubted = asTyped;
  refusal.replaceChildren(make("p", { text }));
  put(confirm, `The display shows ${asTyped}`);
  confirm.hidden = asTyped === "";
  field.select();
}

function clear({ keepsText = false } = {}) {
  if (!keepsText) field.value = "";
  doubted = "";
  refusal.replaceChildren();
  confirm.hidden = true;
}
