// One channel's figure with its name, unit and age, and the required channels' huge digits.

import { ageOf, averageInHand, bench, isOld } from "./bench.js";
import { drawFunnel, makeFunnel } from "./funnel.js";
import { duration, find, make, number, put, reserve, symbol, syncList, withUnit } from "./writing.js";

const CONDITION_WORDS = { overrange: "over range", silent: "silent", "no reading yet": "no reading yet" };
const UNIT_SHARE = 0.42; // of the digits' size, and before it a gap in its own: as in page.css
const UNIT_GAP = 0.28;
const HELD_MS = 10_000; // Shorter for so long, a figure is no longer kept as wide as it was.
const PLACES = { digits: "digit", channels: "channel" }; // where figures stand

const ruler = document.createElement("canvas").getContext("2d");

export function drawDigits({ channels }) {
  const required = bench.stored ? [] : channels.filter(({ required, typed }) => required && !typed);
  find("required").hidden = required.length === 0;
  syncList(find("digits"), required, { keyOf: ({ name }) => name, create: makeDigit, update: drawDigit });
}

function makeDigit() {
  return make("li", {}, makeName("p"), makeFigure(), makeAside(), makeFunnel());
}

function drawDigit(node, channel) {
  drawName(node, channel);
  drawFigure(node, channel, PLACES.digits);
  // What is not read holds everything back: no other reason matters then.
  const warning = warningWord(channel);
  drawAside(node.querySelector(".aside"), warning, warning ? "" : (channel.holding_back ?? meanText(channel)));
  drawFunnel(node.lastElementChild, channel);
}

// What a reading changes, and nothing else: it stands on the screen with the next frame.
export function drawFigures({ channels }) {
  const named = new Map(channels.map((channel) => [channel.name, channel]));
  for (const [id, scope] of Object.entries(PLACES)) {
    for (const node of find(id).children) {
      const channel = named.get(node.dataset.key);
      if (channel !== undefined) drawFigure(node, channel, scope);
    }
  }
}

// ---------------------------------------------------------------- parts

export const makeName = (tag) => make(tag, { className: "name" }, make("span"), " ", make("small"));
export const makeAside = () => make("p", { className: "aside" }, make("b"), make("span"));

export function makeFigure() {
  return make("p", { className: "figure" }, make("span", { className: "value" }), make("span", { className: "unit" }));
}

export function drawName(node, { title, place }) {
  put(node.querySelector(".name > span"), title);
  put(node.querySelector(".name > small"), place);
}

export function drawFigure(node, channel, scope) {
  const text = channel.value === null ? "–" : number(channel.value, channel.decimals);
  const value = node.querySelector(".value");
  put(value, text);
  reserve(value, `${scope} ${channel.name}`, text, HELD_MS);
  put(node.querySelector(".unit"), symbol(channel.unit));
  reserveRoom(node, value.dataset.kept, symbol(channel.unit));
  node.classList.toggle("is-old", isOld(channel));
}

// How wide the widest figure so far is with its unit, in ems of the digits: as large as its place allows it is set, and it
// never grows again.
function reserveRoom(node, kept, unit) {
  const most = Math.max(parseInt(kept, 10), Number(node.dataset.most ?? 0));
  const key = `${most} ${kept.endsWith(".")} ${unit}`;
  if (node.dataset.room === key) return;
  Object.assign(node.dataset, { room: key, most });
  const digits = "0".repeat(most) + (kept.endsWith(".") ? "." : "");
  const room = emsOf(digits, "bold") + UNIT_SHARE * (emsOf(unit, "normal") + UNIT_GAP) + 0.03; // and what rounding takes
  node.style.setProperty("--room", room.toFixed(3));
}

function emsOf(text, weight) {
  ruler.font = `${weight} 100px ${getComputedStyle(document.body).fontFamily}`;
  return ruler.measureText(text).width / 100;
}

// The word that must be noticed stands first and heavy; what is merely good to know follows.
export function drawAside(node, word, text) {
  put(node.querySelector("b"), word);
  put(node.querySelector("span"), word && text ? `, ${text}` : text);
}

// ---------------------------------------------------------------- words

export function agoText(channel) {
  const age_s = ageOf(channel);
  return age_s < 1 ? "just now" : `${duration(age_s)} ago`;
}

export function warningWord(channel) {
  const words = [CONDITION_WORDS[channel.condition]];
  if (isOld(channel) && channel.condition !== "silent") words.push("old");
  if (isOld(channel)) words.push(`read ${agoText(channel)}`);
  return words.filter(Boolean).join(", ");
}

// The slip's average is the whole truth. Before there is one the bench knows the mean and its scatter only.
export function meanText(channel) {
  const average = averageInHand(channel);
  if (average !== null) return `mean ${spreadText(average, average.decimals, channel.unit)}`;
  if (channel.mean === null) return "";
  if (bench.stored) return `mean ${spreadText(channel, channel.decimals, channel.unit)}`;
  const decimals = decimalsOfMean(channel);
  const { mean, expanded_uncertainty: expanded, unit } = channel;
  const scatter = expanded === null ? "" : `, scatter ±\u00a0${withUnit(number(expanded, decimals), unit)}`;
  return `mean ${withUnit(number(mean, decimals), unit)}${scatter}`;
}

function spreadText({ mean, expanded_uncertainty: expanded }, decimals, unit) {
  return withUnit(`${number(mean, decimals)}\u00a0±\u00a0${number(expanded, decimals)}`, unit);
}

// Until the bench has rounded it: the mean is known finer than one reading, by one decimal.
export const decimalsOfMean = ({ decimals }) => decimals + 1;
