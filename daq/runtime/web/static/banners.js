// What cannot be overlooked: this page's own failure, a lost connection, alarms, ill meters, a failing store.

import { bench, isFinished } from "./bench.js";
import { isLost, silence_s } from "./link.js";
import { bound, find, listed, make, makeShape, put, setShape, stopped, syncList, withoutFigures } from "./writing.js";

const LONG_TEXT = 100; // More characters than this are set smaller, so that the instruction stays on the screen.

const NOBODY_WATCHES = "If the machine runs, nobody may be watching its limits: switch off at the plug.";

let fault = null;

// A page that stopped drawing would go on looking alive: it has to say so.
export function confess(reason) {
  fault = String(reason?.message ?? reason);
  drawBanners();
}

export function drawBanners() {
  syncList(find("banners"), banners(), {
    keyOf: ({ kind, text }) => kind + withoutFigures(text),
    create: makeBanner,
    update: (node, { shape, text }) => {
      setShape(node.querySelector("svg"), shape);
      put(node.querySelector("span"), bound(text));
      node.classList.toggle("long", text.length > LONG_TEXT);
    },
  });
}

function makeBanner({ kind }) {
  const node = make("div", { role: "alert" }, make("p", {}, makeShape(), make("span")));
  node.setAttribute("aria-relevant", "additions");
  node.dataset.kind = kind;
  return node;
}

function banners() {
  const ofBench = bench.snapshot === null || bench.stored ? [] : benchBanners(bench.snapshot);
  return [...ourOwn(), ...ofBench];
}

function ourOwn() {
  const list = [];
  if (fault !== null) list.push(danger(`This page itself has failed: ${fault}. Load it again. ${NOBODY_WATCHES}`));
  if (isLost()) list.push(isFinished() ? ended : { kind: "abnormal", shape: "parted", text: lostText() });
  return list;
}

const ended = {
  kind: "wait",
  shape: "done",
  text: "The session is finished and the bench has signed off: this is its slip.",
};

function lostText() {
  const since = `${Math.floor(silence_s())} s`;
  if (bench.snapshot === null) return `No connection to the bench yet, tried for ${since}.`;
  return `Connection to the bench lost since ${since}: what you see is old. ${NOBODY_WATCHES}`;
}

function benchBanners({ alarms, instruments, store }) {
  const ill = instruments.filter(({ state }) => state !== "ok" && state !== "waiting");
  const list = alarms.map(({ text }) => danger(text));
  // Of a meter that is lost while the machine runs the bench alarms already.
  const untold = ill.filter(({ name }) => !alarms.some(({ text }) => text.startsWith(`${name} is not heard`)));
  list.push(...untold.map(({ name, state, text }) => abnormal(stopped(`${meter(name)} is ${state}: ${text}`))));
  // The bench may already alarm with the same words.
  if (store.state !== "ok" && !alarms.some(({ text }) => text === store.text)) {
    list.push(abnormal(stopped(`Store is ${store.state}: ${store.text}`)));
  }
  return [...list, ...awaited(instruments)];
}

// At the start every meter is waited for: one line for all of them.
function awaited(instruments) {
  const names = instruments.filter(({ state }) => state === "waiting").map(({ name }) => name);
  if (names.length === 0) return [];
  const text = `Waiting for the first reading of ${listed(names)}.`;
  return [{ kind: "wait", shape: "wait", text }];
}

// Names are the bench's own; many of them say already that it is a meter.
const meter = (name) => (/^meter/i.test(name) ? name : `Meter ${name}`);
const danger = (text) => ({ kind: "danger", shape: "danger", text });
const abnormal = (text) => ({ kind: "abnormal", shape: "abnormal", text });
