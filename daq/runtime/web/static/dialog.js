// The one sheet that is laid over the page: a form, or something to read.
//
// The browser keeps the keyboard inside, closes on Escape and gives the focus back. Because all else is out of reach
// meanwhile, the sheet itself repeats what the bench alarms of.

import { announce, announceRefusal } from "./answers.js";
import { Refused } from "./api.js";
import { makeWord } from "./fields.js";
import { find, make, syncList, withoutFigures } from "./writing.js";

let busy = false;
let opened = 0; // Counts sheets: an answer that comes late must not touch the next one.

// `submit` is the word on the button that carries out `act(data)`. The sentence that it returns is announced and the sheet
// closes; what it throws as Refused is shown in the sheet. Without `submit` there is only the way out.
export function openSheet({ title, parts, submit = "", act = null, away = "Cancel", focus = null }) {
  const sheet = find("sheet");
  if (sheet.open) sheet.close();
  busy = false;
  opened += 1;
  const heading = make("h2", { text: title });
  Object.assign(heading, { id: "sheet-title", tabIndex: -1 });
  const form = make("form", {}, make("div", { className: "sheet-alarms" }), heading, ...parts, makeWays({ submit, away }));
  form.noValidate = true;
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (act !== null) send(form, act, opened);
  });
  sheet.replaceChildren(form);
  sheet.setAttribute("aria-labelledby", heading.id);
  sheet.showModal();
  (focus ?? heading).focus();
  return form;
}

export const closeSheet = () => find("sheet").close();

function makeWays({ submit, away }) {
  // What was refused stands with the buttons, which are always in view.
  const ways = make("div", { className: "ways" }, make("div", { className: "refusal", role: "alert" }));
  if (submit) {
    const button = make("button", { className: "word first", text: submit });
    button.type = "submit";
    ways.append(button);
  }
  ways.append(makeWord(away, closeSheet));
  return ways;
}

// ---------------------------------------------------------------- sending

async function send(form, act, number) {
  if (busy || isIncomplete(form)) return;
  busy = true;
  form.setAttribute("aria-busy", "true");
  try {
    const text = await act(new FormData(form));
    if (isOpen(number)) closeSheet();
    announce(text);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (isOpen(number)) refuse(form, error.message);
    else announceRefusal(error.message);
  } finally {
    if (number === opened) busy = false;
    form.removeAttribute("aria-busy");
  }
}

// Escape may have closed it while the bench was asked.
const isOpen = (number) => number === opened && find("sheet").open;

export function refuse(form, text) {
  form.querySelector(".refusal").replaceChildren(make("p", { text }));
}

// Fields in a part that is not shown ask for nothing.
function isIncomplete(form) {
  for (const field of form.querySelectorAll("[aria-invalid]")) field.removeAttribute("aria-invalid");
  const fields = [...form.querySelectorAll("[data-needed]")].filter((field) => field.checkVisibility());
  const empty = fields.find(({ value }) => value.trim() === "");
  if (empty === undefined) return false;
  empty.setAttribute("aria-invalid", "true");
  refuse(form, empty.dataset.needed);
  empty.focus();
  return true;
}

// ---------------------------------------------------------------- alarms

export function drawSheetAlarms(texts) {
  const place = document.querySelector("#sheet[open] .sheet-alarms");
  if (place === null) return;
  syncList(place, texts, { keyOf: withoutFigures, create: makeAlarm, update: (node, text) => writeAlarm(node, text) });
}

const makeAlarm = () => make("p", { role: "alert" });

function writeAlarm(node, text) {
  if (node.textContent !== text) node.textContent = text;
}
