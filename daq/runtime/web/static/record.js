// The lower part of the slip: every channel with its chart, the state of meters, store and broker, the events.

import { bench } from "./bench.js";
import { makeChartBox } from "./charts.js";
import { agoText, drawAside, drawFigure, drawName, makeAside, makeFigure, makeName, meanText, warningWord } from "./figures.js";
import { clockTime, find, make, makeShape, put, setShape, syncList } from "./writing.js";

export function drawChannels({ channels }) {
  find("all").hidden = bench.stored && bench.span === null;
  syncList(find("channels"), channels, { keyOf: ({ name }) => name, create: makeChannel, update: drawChannel });
}

function makeChannel(channel) {
  const words = make("div", {}, makeName("h3"), makeFigure(), makeAside(), make("p", { className: "aside mean" }));
  return make("article", { className: "channel" }, words, makeChartBox(channel));
}

function drawChannel(node, channel) {
  const warning = warningWord(channel);
  const read = channel.typed ? `typed ${agoText(channel)}` : `read ${agoText(channel)} by ${channel.instrument}`;
  const source = warning || bench.stored ? channel.instrument : read;
  drawName(node, channel);
  drawFigure(node, channel, "channel");
  drawAside(node.querySelector(".aside"), warning, source);
  put(node.querySelector(".mean"), meanText(channel));
}

// ---------------------------------------------------------------- the margin

export function drawMargin(snapshot) {
  const create = () => make("li", {}, make("span"), make("span", {}, makeShape(), make("span")));
  syncList(find("margin"), marginLines(snapshot), { keyOf: ({ name }) => name, create, update: drawMarginLine });
}

function drawMarginLine(node, { name, ill, text }) {
  put(node.firstElementChild, name);
  setShape(node.querySelector("svg"), ill ? "abnormal" : "done");
  put(node.lastElementChild.lastElementChild, text);
  node.classList.toggle("ill", ill);
}

function marginLines({ instruments, store, broker }) {
  return [...instruments.map(meterLine), serviceLine("Store", store), serviceLine("Broker", broker)];
}

function meterLine({ name, port, state, text, readings, gaps }) {
  const counts = `${readings} ${readings === 1 ? "reading" : "readings"}, ${gaps} ${gaps === 1 ? "gap" : "gaps"}`;
  return { name, ill: state !== "ok", text: `${state}, ${text}; ${counts}${port && `; on ${port}`}` };
}

// A broker that is off is a choice, not an ailment.
function serviceLine(name, { state, text }) {
  const ill = state === "failing" || state === "away";
  // "away since …" says the state itself.
  const words = text.startsWith(state) ? [text] : [state, text];
  return { name, ill, text: words.filter(Boolean).join(", ") };
}

// ---------------------------------------------------------------- events

export function drawEvents({ events }) {
  syncList(find("events"), events, { keyOf: ({ utc, text }) => utc + text, create: makeEvent });
}

function makeEvent({ utc, text }) {
  const time = make("time", { text: clockTime(utc) });
  time.dateTime = utc;
  return make("li", {}, time, make("span", { text }));
}
