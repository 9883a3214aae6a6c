// Buttons, choices and fields of the operator's forms: words, outlined by a rule line.

import { make } from "./writing.js";

const LONGEST_TEXT = 500; // As the bench takes it.

let made = 0;

export function makeWord(text, act, { className = "" } = {}) {
  const button = make("button", { className: `word ${className}`.trim(), text });
  button.type = "button";
  button.addEventListener("click", act);
  return button;
}

// A radio button or a check box whose whole line can be pressed. Details stand below the title.
export function makeChoice({ type, name, value = "", checked = false, disabled = false }, title, ...details) {
  const input = make("input");
  Object.assign(input, { type, name, value, checked, disabled });
  const lines = details.filter(Boolean).map((text) => make("small", { text }));
  return make("label", { className: "choice" }, input, make("span", {}, make("b", { text: title }), ...lines));
}

export function makeGroup(legend, ...parts) {
  return make("fieldset", {}, make("legend", { text: legend }), ...parts);
}

// `needed` is what to say where the field was left empty.
export function makeText(label, { name, rows = 1, needed = "" }) {
  const field = make(rows > 1 ? "textarea" : "input");
  Object.assign(field, { name, maxLength: LONGEST_TEXT, autocomplete: "off" });
  if (rows > 1) field.rows = rows;
  return labelled(label, field, needed);
}

export function makePick(label, { name, options, needed = "" }) {
  const pick = make("select");
  pick.name = name;
  pick.append(new Option("choose one", ""), ...options.map((text) => new Option(text, text)));
  return labelled(label, pick, needed);
}

function labelled(label, field, needed) {
  made += 1;
  field.id = `field-${made}`;
  if (needed) {
    field.dataset.needed = needed;
    field.setAttribute("aria-required", "true");
  }
  const caption = make("label", { text: label });
  caption.htmlFor = field.id;
  return make("div", { className: "field" }, caption, field);
}
