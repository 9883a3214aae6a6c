// The one line that says what came of what was asked. It stands at the foot of the window, wherever the page is scrolled.

import { make, makeShape, setShape } from "./writing.js";

const SHOWN_REAL_MS = 20000;

const words = make("div", { role: "status" });
const shape = makeShape();
const strip = make("div", { className: "answer" }, shape, words);
strip.hidden = true;
let going = 0;

export function makeAnswer() {
  const away = make("button", { className: "word", text: "Close" });
  away.setAttribute("aria-label", "Close this line");
  away.type = "button";
  away.addEventListener("click", hide);
  strip.append(away);
  return strip;
}

// What was done also stands among the events and may go by itself; what was refused stays until it is read.
export function announce(text) {
  show(text, "done");
  going = setTimeout(goUnlessHeld, SHOWN_REAL_MS);
}

export const announceRefusal = (text) => show(text, "abnormal");

function show(text, kind) {
  clearTimeout(going);
  strip.hidden = false;
  strip.dataset.kind = kind;
  setShape(shape, kind);
  words.replaceChildren(make("p", { text }));
}

function goUnlessHeld() {
  if (strip.matches(":hover, :focus-within")) going = setTimeout(goUnlessHeld, SHOWN_REAL_MS);
  else hide();
}

function hide() {
  clearTimeout(going);
  strip.hidden = true;
  words.replaceChildren();
}
