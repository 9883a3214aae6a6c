// The slip: a row for each trial in the order in which they are called for, which fills while the trial is averaged.
//
// What is not yet known is a blank, never a zero. Columns stand still while the session goes on. Rows are counted by
// their place, but a row is known by its position: lines that are added in between are new rows, not moved ones.

import { differencesAt, drawAnswer, drawDifference, makeDifference } from "./compared.js";
import { decimalsOfMean } from "./figures.js";
import { makeRowButton } from "./operate.js";
import { bound, find, make, makeShape, number, put, reserve, setShape, syncList, titleWithUnit } from "./writing.js";

const ROW_SHAPES = {
  done: "done",
  running: "running",
  "to come": "to-come",
  unfinished: "unfinished",
  "not settled": "abnormal",
  "limit broken": "danger",
  skipped: "skipped",
  "set aside": "set-aside",
};

export function drawSlip(snapshot) {
  find("record").hidden = snapshot.session === null;
  if (snapshot.session === null) return;
  drawHead(snapshot);
  put(find("slip-count"), `${howFar(snapshot.session)}; mean ± expanded uncertainty`);
  syncList(find("slip-rows"), snapshot.slip, {
    keyOf: ({ position }) => position,
    create: (row) => makeRow(row, columnsOf(snapshot)),
    update: (node, row, index) => drawRow(node, row, { snapshot, index }),
  });
  drawAnswer(snapshot);
  const filled = JSON.stringify([snapshot.slip.map(({ state }) => state), snapshot.comparison?.after_trials]);
  if (find("slip").dataset.filled === filled) return;
  find("slip").dataset.filled = filled;
  fitSlip();
}

function howFar({ done, total, skipped }) {
  return `${done} of ${total} done${skipped > 0 ? `, ${skipped} skipped` : ""}`;
}

// As much as the window has room for: first the channels that are not required are left out, then what only keeps columns
// in their places; at last its rows are stacked. What has happened stays so until the window or the channels change: columns
// that come and go would be worse than none.
const FITS = ["tight", "tighter", "stacked"];
const narrow = matchMedia("(max-width: 46.99rem)");

function fitSlip() {
  const slip = find("slip");
  const known = FITS.findIndex((fit) => slip.classList.contains(fit));
  for (const fit of FITS.slice(known + 1)) {
    if (!narrow.matches && slip.scrollWidth <= slip.parentElement.clientWidth) return;
    slip.classList.remove(...FITS);
    slip.classList.add(fit);
  }
}

export function refitSlip() {
  find("slip").classList.remove(...FITS);
  fitSlip();
}

// ---------------------------------------------------------------- head

const columnsOf = ({ channels }) => [...channels].sort((a, b) => Number(b.required) - Number(a.required));
const columnClass = ({ required }) => (required ? "number" : "number further");

function drawHead(snapshot) {
  const columns = columnsOf(snapshot);
  const head = find("slip-head");
  const signature = JSON.stringify(columns.map(({ title, unit, place, required }) => [title, unit, place, required]));
  if (head.dataset.signature === signature) return;
  head.dataset.signature = signature;
  const figures = columns.map((channel) =>
    makeHeading(titleWithUnit(channel), { className: columnClass(channel), below: channel.place }),
  );
  head.replaceChildren(makeHeading("No."), makeHeading("Condition"), ...figures, makeHeading("State"));
  find("slip-rows").replaceChildren();
  find("slip").classList.remove(...FITS);
}

function makeHeading(text, { className = "", below = "" } = {}) {
  const cell = make("th", { className, role: "columnheader", text });
  cell.scope = "col";
  if (below) cell.append(" ", make("small", { text: below }));
  return cell;
}

// ---------------------------------------------------------------- rows

function makeRow(row, columns) {
  const position = make("td", { className: "position", role: "cell" });
  const condition = make("th", { className: "condition", role: "rowheader" }, make("span"), " ", make("small"));
  condition.scope = "row";
  const note = make("small", { className: "note" });
  const state = make("td", { className: "state", role: "cell" }, makeShape(), make("span"), note, makeRowButton(row));
  return make("tr", { role: "row" }, position, condition, ...columns.map(makeCell), state);
}

function makeCell(channel) {
  const parts = [make("span"), make("span"), make("span")]; // mean, sign, uncertainty
  const cell = make("td", { className: columnClass(channel), role: "cell" }, make("span", { className: "average" }, ...parts));
  if (channel.required) cell.append(makeDifference());
  cell.dataset.label = titleWithUnit(channel);
  return cell;
}

function drawRow(node, row, { snapshot, index }) {
  const columns = columnsOf(snapshot);
  const averages = columns.map((channel) => averageOf(row, channel));
  const differences = differencesAt(row, snapshot);
  const provisional = row.state === "running" && snapshot.trial?.confirmed !== true;
  node.dataset.state = row.state;
  node.classList.toggle("provisional", provisional);
  put(node.querySelector(".position"), String(index + 1));
  drawCondition(node.querySelector("th"), row, snapshot);
  node.querySelectorAll(".number").forEach((cell, i) => {
    drawAverage(cell, averages[i], columns[i].name);
    if (columns[i].required) drawDifference(cell.lastElementChild, differences.get(columns[i].name) ?? null);
  });
  setShape(node.querySelector(".state svg"), ROW_SHAPES[row.state]);
  put(node.querySelector(".state span"), stateWord(row, snapshot.trial));
  put(node.querySelector(".note"), row.note ?? "");
}

// Settled is said once it is confirmed, and not before.
function stateWord({ state }, trial) {
  if (state !== "running" || !trial?.window_s) return state;
  return trial.confirmed ? "settled, still running" : "averaging, provisional";
}

function drawCondition(cell, { condition, baseline, repeat }, { slip }) {
  const [name, detail] = cell.children;
  put(name, bound(condition));
  const repeated = slip.some((row) => row.repeat > 1);
  put(detail, [baseline ? "baseline" : "", repeated ? `repeat ${repeat}` : ""].filter(Boolean).join(", "));
}

// The running row fills as it averages: the channels carry its mean before the slip has it. Their uncertainty leaves the
// meter's accuracy out and would look too good beside the finished rows.
function averageOf(row, channel) {
  const average = row.averages[channel.name];
  if (average !== undefined) return average;
  if (row.state !== "running" || channel.mean === null) return null;
  return { mean: channel.mean, expanded_uncertainty: null, decimals: decimalsOfMean(channel) };
}

function drawAverage(cell, average, key) {
  const [mean, sign, spread] = cell.firstElementChild.children;
  cell.classList.toggle("blank", average === null);
  put(mean, average === null ? "" : number(average.mean, average.decimals));
  const known = average !== null && average.expanded_uncertainty !== null;
  const text = known ? number(average.expanded_uncertainty, average.decimals) : "";
  put(sign, known ? "\u00a0±\u00a0" : "");
  put(spread, text);
  if (known) reserve(spread, `spread ${key}`, text);
}
