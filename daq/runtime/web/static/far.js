// The far view: nothing but the instruction, the stage and the required channels' digits, for a glance across the room.
//
// The key F opens and leaves it, Escape leaves it. A single letter is easily struck by mistake or spoken: it can be
// switched off, and the choice is kept.

import { fitInstruction } from "./instruction.js";
import { find } from "./writing.js";

const KEPT = "steadybench far key";

export function startFar() {
  find("far").addEventListener("click", turn);
  const choice = find("far-key");
  choice.checked = localStorage.getItem(KEPT) !== "off";
  choice.addEventListener("change", () => localStorage.setItem(KEPT, choice.checked ? "on" : "off"));
  addEventListener("keydown", onKey);
}

const isFar = () => document.body.dataset.view === "far";

function onKey(event) {
  const { key, target, ctrlKey, altKey, metaKey } = event;
  if (ctrlKey || altKey || metaKey || document.querySelector("dialog[open]")) return;
  const isWritten = target.matches?.("input:not([type=checkbox], [type=radio]), textarea, select") ?? false;
  if (key === "Escape" && isFar()) turn();
  if (key.toLowerCase() === "f" && find("far-key").checked && !isWritten) turn();
}

function turn() {
  if (isFar()) delete document.body.dataset.view;
  else document.body.dataset.view = "far";
  find("far").textContent = isFar() ? "Leave far view" : "Far view";
  find("far").setAttribute("aria-pressed", String(isFar()));
  scrollTo(0, 0);
  fitInstruction();
}
