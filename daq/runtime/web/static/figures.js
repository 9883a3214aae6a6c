// One channel's figure with its name, unit and age, and the required channels' huge digits.

import { ageOf, averageInHand, isOld } from "./bench.js";
import { duration, find, make, number, put, reserve, symbol, syncList, withUnit } from "./writing.js";

const CONDITION_WORDS = { overrange: "over range", silent: "silent", "no reading yet": "no reading yet" };

export function drawDigits({ channels }) {
  const required = channels.filter((channel) => channel.required);
  syncList(find("digits"), required, { keyOf: ({ name }) => name, create: makeDigit, update: drawDigit });
}

function makeDigit() {
  return make("li", {}, makeName("p"), makeFigure(), makeAside());
}

function drawDigit(node, channel) {
  drawName(node, channel);
  drawFigure(node, channel, "digit");
  drawAside(node.querySelector(".aside"), warningWord(channel), channel.holding_back ?? meanText(channel));
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
  reserve(value, `${scope} ${channel.name}`, text);
  put(node.querySelector(".unit"), symbol(channel.unit));
  node.classList.toggle("is-old", isOld(channel));
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
