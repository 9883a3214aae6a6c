// How text, figures and shapes reach the document. Knows nothing of the bench.
//
// Rules: data become text, never markup; a node that can stay stays, so that screen readers and the eye are not
// disturbed; no figure ever jumps in width.

const widest = new Map(); // figure -> most digits seen, when that was, and the most since then

export const find = (id) => document.getElementById(id);

// A live region speaks when nodes are added. Changing the text inside a node keeps a counting second silent.
export function put(node, text) {
  if (node.firstChild === null) node.append(text);
  else if (node.firstChild.data !== text) node.firstChild.data = text;
}

export function make(tag, { className = "", role = "", text = "" } = {}, ...children) {
  const node = document.createElement(tag);
  if (className) node.className = className;
  if (role) node.setAttribute("role", role);
  if (text) node.textContent = text;
  node.append(...children);
  return node;
}

export function makeShape() {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("aria-hidden", "true");
  svg.append(document.createElementNS("http://www.w3.org/2000/svg", "use"));
  return svg;
}

export function setShape(svg, shape) {
  const href = `#shape-${shape}`;
  if (svg.firstElementChild.getAttribute("href") !== href) svg.firstElementChild.setAttribute("href", href);
}

export function syncList(parent, items, { keyOf, create, update = () => {} }) {
  const known = new Map([...parent.children].map((node) => [node.dataset.key, node]));
  const taken = new Set();
  items.forEach((item, index) => {
    let key = String(keyOf(item));
    while (taken.has(key)) key += "+"; // Two alike, such as the same event twice in one millisecond.
    taken.add(key);
    const node = known.get(key) ?? create(item);
    known.delete(key);
    node.dataset.key = key;
    if (parent.children[index] !== node) parent.insertBefore(node, parent.children[index] ?? null);
    update(node, item, index);
  });
  for (const node of known.values()) node.remove();
}

// ---------------------------------------------------------------- words

// Two sentences that differ only in what is counted are one announcement. In an instruction other figures matter: they
// name the condition to fit. In an alarm they are readings, which change all the time.
export const withoutSeconds = (text) => text.replace(/[\d¼½¾]+(?=\s(s|min)\b)/g, "0");
export const withoutFigures = (text) => text.replace(/[\d.]+/g, "0");

// A figure and its unit never part at the end of a line.
export const bound = (text) => text.replace(/([\d¼½¾]) (?=[^\s\d]{1,4}(?:[\s,.;:]|$))/g, "$1\u00a0");

// The bench's texts are sentences in some places and halves of sentences in others.
export const stopped = (text) => (/[.?]$/.test(text) ? text : `${text}.`);

// Units travel in the bench's notation (UCUM, SenML); people write some of them otherwise.
const UNIT_SYMBOLS = {
  1: "",
  Cel: "°C",
  degF: "°F",
  "m3/h": "m³/h",
  "m3/s": "m³/s",
  "ft3/min": "ft³/min",
  inH2O: "inH₂O",
};
export const symbol = (unit) => UNIT_SYMBOLS[unit] ?? unit;
export const withUnit = (text, unit) => `${text}\u00a0${symbol(unit)}`.trimEnd();
export const titleWithUnit = ({ title, unit }) => [title, symbol(unit)].filter(Boolean).join(", ");

export function listed(words) {
  return words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} and ${words.at(-1)}`;
}

// ---------------------------------------------------------------- figures

export const number = (value, decimals) => value.toFixed(decimals).replace(/^-/, "\u2212");

export const signed = (value, decimals) => (value > 0 ? "+" : "") + number(value, decimals);

// So many decimals that an uncertainty has two significant digits; at least none, at most four.
export function decimalsFor(uncertainty) {
  if (!(uncertainty > 0)) return 0;
  return Math.min(4, Math.max(0, 1 - Math.floor(Math.log10(uncertainty))));
}

// The box is as wide as the widest figure so far: tabular digits do the rest. Where it holds for a while only, a figure that
// stays shorter than it was, as with the machine off, moves up to where it begins.
export function reserve(node, key, text, hold_ms = Infinity) {
  const digits = mostDigits(key, text.replace(".", "").length, hold_ms);
  const kept = `${digits}${text.includes(".") ? "." : ""}`;
  if (node.dataset.kept === kept) return;
  node.dataset.kept = kept;
  node.style.minInlineSize = `calc(${digits}ch + ${text.includes(".") ? 0.28 : 0}em)`;
}

function mostDigits(key, digits, hold_ms) {
  const now_ms = performance.now();
  const { most, seen_ms, since } = widest.get(key) ?? { most: 0, seen_ms: 0, since: 0 };
  const longest = Math.max(since, digits);
  const isOver = now_ms - seen_ms > hold_ms;
  if (digits >= most || isOver) widest.set(key, { most: longest, seen_ms: now_ms, since: 0 });
  else widest.set(key, { most, seen_ms, since: longest });
  return widest.get(key).most;
}

export function duration(seconds) {
  if (seconds < 120) return `${Math.floor(seconds)} s`;
  return seconds < 7200 ? `${Math.floor(seconds / 60)} min` : `${Math.floor(seconds / 3600)} h`;
}

export const clockTime = (utc) => utc.slice(11, 19);
