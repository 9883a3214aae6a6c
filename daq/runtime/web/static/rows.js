// What can be done with one line of the slip: measure it once more, or say that another condition was fitted.
//
// A line is known by its position; what it holds at the moment is looked up when it is needed. In a stored session the
// same place leads to the readings of the line's trial.

import { mayOperate } from "./access.js";
import { Refused, tell } from "./api.js";
import { bench } from "./bench.js";
import { openSheet } from "./dialog.js";
import { makeChoice, makeGroup, makePick, makeText, makeWord } from "./fields.js";
import { isLost } from "./link.js";
import { isPast, trialAddress } from "./past.js";
import { make } from "./writing.js";

export function makeRowButton({ position }) {
  const node = isPast() ? make("a", { text: "Readings" }) : makeWord("Change…", () => openRow(lineAt(position)));
  node.className = "row-button";
  node.dataset.position = position;
  node.hidden = true;
  return node;
}

export function drawRowButtons(snapshot) {
  for (const node of document.querySelectorAll(".row-button")) {
    const line = snapshot?.slip.find(({ position }) => String(position) === node.dataset.position);
    node.hidden = line === undefined || !isOffered(line);
    if (!node.hidden) drawRowButton(node, line);
  }
}

function isOffered(line) {
  if (isPast()) return line.trial !== null;
  return mayOperate() && !isLost() && bench.snapshot.session !== null && waysFor(line).length > 0;
}

function drawRowButton(node, line) {
  const label = `${node.tagName === "A" ? "Readings of" : "Change"} ${nameOf(line)}`;
  if (node.getAttribute("aria-label") !== label) node.setAttribute("aria-label", label);
  if (node.tagName === "A") node.href = trialAddress(line.trial);
}

const lineAt = (wanted) => bench.snapshot.slip.find(({ position }) => position === wanted);
const nameOf = ({ condition, repeat }) => (repeat > 1 ? `${condition}, repeat ${repeat}` : condition);

// ---------------------------------------------------------------- the sheet

const ONCE_MORE = {
  key: "more",
  title: "Once more",
  detail: "One more trial of this condition, called for next. Both count.",
  isFor: ({ trial }) => trial !== null,
  send: ({ position }) => tell("/api/session/repeat", { position, instead_because: "" }),
};
const AFTER_ALL = {
  ...ONCE_MORE,
  title: "Measure it after all",
  detail: "The line that was left out is called for next.",
  isFor: ({ trial, state }) => trial === null && state === "skipped",
};
const IN_PLACE = {
  key: "instead",
  title: "Once more, in place of this trial",
  detail: "This trial is set aside with your reason and counts for nothing. That cannot be undone.",
  isFor: ({ trial, state }) => trial !== null && state !== "set aside",
  makeFields: () => [makeText("Why it shall not count", { name: "because", needed: "Write why the trial shall not count." })],
  send: ({ position }, data) => tell("/api/session/repeat", { position, instead_because: data.get("because") }),
};
const RELABEL = {
  key: "relabel",
  title: "Another condition was fitted",
  detail: "This trial then counts for the condition that was fitted, and this line is called for again. What was called for is kept too.",
  isFor: (line) => IN_PLACE.isFor(line) && conditionsBeside(line).length > 0,
  makeFields: (line) => [
    makePick("What was fitted", { name: "condition", options: conditionsBeside(line), needed: "Choose what was fitted." }),
    makeText("How that came about", { name: "reason", needed: "Write how that came about." }),
  ],
  send: ({ trial }, data) => tell("/api/session/relabel", { trial, condition: data.get("condition"), reason: data.get("reason") }),
};
const WAYS = [ONCE_MORE, AFTER_ALL, IN_PLACE, RELABEL];

const waysFor = (line) => WAYS.filter(({ isFor }) => isFor(line));

function conditionsBeside(line) {
  return [...new Set(bench.snapshot.slip.map(({ condition }) => condition))].filter((name) => name !== line.condition);
}

function openRow(line) {
  const ways = waysFor(line);
  const parts = ways.map((way) => makeWay(way, line, ways.length === 1));
  const form = openSheet({
    title: nameOf(line),
    parts: [makeGroup("What shall be done with this line?", ...parts)],
    submit: "Do this",
    act: (data) => carryOut(ways, line, data),
  });
  form.addEventListener("change", () => showChosen(form));
  showChosen(form);
  form.querySelector("[name=way]").focus();
}

function makeWay({ key, title, detail, makeFields = () => [] }, line, only) {
  const fields = make("div", { className: "further" }, ...makeFields(line));
  return make("div", {}, makeChoice({ type: "radio", name: "way", value: key, checked: only }, title, detail), fields);
}

function showChosen(form) {
  for (const radio of form.querySelectorAll("[name=way]")) {
    radio.closest("div").querySelector(".further").hidden = !radio.checked;
  }
}

// The line may have changed while the sheet stood open: another trial must not be touched in place of the one meant.
async function carryOut(ways, line, data) {
  const way = ways.find(({ key }) => key === data.get("way"));
  if (way === undefined) throw new Refused("Choose first what shall be done.");
  if (lineAt(line.position)?.trial !== line.trial) {
    throw new Refused("This line has got another trial meanwhile. Close this and look at it again.");
  }
  return (await way.send(line, data)).text;
}
