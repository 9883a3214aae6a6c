// The funnel of one required channel: how it comes to settle, as a drawing and in words.
//
// Time runs to the right. Around the running mean stand the bounds of the drift that is still possible; two thin lines
// show what is allowed around the latest mean. What is being averaged is filled. It is drawn anew only when a bin has
// closed or its place has another size: between bins nothing can have changed.

import { bench } from "./bench.js";
import { funnelOf } from "./funnels.js";
import { decimalsFor, make, number, put, withUnit } from "./writing.js";

const SVG = "http://www.w3.org/2000/svg";
// Half the height in tolerances. In steps, so that the picture stands still while the funnel closes within one.
const REACHES = [2.5, 4, 8, 16, 32, 64, 128];
const SEEN_FROM = 1 / 3; // of the time shown
const MOST_ENLARGED = 3; // times what the latest bound needs
const LINES = ["filled", "allowed", "bound", "mean"];

const sizes = new WeakMap(); // box -> { width, height }
const resizes = new ResizeObserver((entries) => {
  for (const { target, contentRect } of entries) {
    const { width, height } = contentRect;
    sizes.set(target, { width: Math.round(width), height: Math.round(height) });
  }
});

export function makeFunnel() {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("aria-hidden", "true");
  for (const name of LINES) {
    const path = document.createElementNS(SVG, "path");
    path.setAttribute("class", name);
    svg.append(path);
  }
  const box = make("div", { className: "funnel", role: "img" }, svg);
  resizes.observe(box);
  return make("div", { className: "settling" }, box, make("p", { className: "reach" }));
}

export function drawFunnel(node, channel) {
  const [box, words] = node.children;
  const size = sizes.get(box);
  const funnel = seenFunnel(channel);
  const { window_s } = bench.snapshot.trial ?? {};
  const drawn = JSON.stringify([size, funnel?.version, window_s?.[0]]);
  if (box.dataset.drawn === drawn) return;
  box.dataset.drawn = drawn;
  put(words, funnel === null ? "" : reachText(funnel, channel));
  box.setAttribute("aria-label", describe(funnel, channel));
  const paths = funnel === null || !size?.width ? [] : pathsOf(funnel, size, window_s ?? null);
  [...box.firstElementChild.children].forEach((path, i) => path.setAttribute("d", paths[i] ?? ""));
}

// A point of the trial before may still come by when the next one has begun.
function seenFunnel(channel) {
  const { trial } = bench.snapshot;
  const funnel = trial === null ? null : funnelOf(channel);
  if (funnel === null) return null;
  const isKnown = funnel.t.map((t, i) => t >= trial.started_s && funnel.mean[i] !== null);
  const [t, mean, bound] = [funnel.t, funnel.mean, funnel.bound].map((list) => list.filter((_, i) => isKnown[i]));
  return t.length === 0 ? null : { ...funnel, t, mean, bound };
}

// ---------------------------------------------------------------- words

function reachText({ tolerance, bound }, { unit }) {
  const decimals = decimalsFor(tolerance);
  const allowed = `±\u00a0${withUnit(number(tolerance, decimals), unit)} allowed`;
  const last = bound.at(-1);
  if (last === null) return `Drift not yet known, ${allowed}`;
  return `Drift of ±\u00a0${withUnit(number(last, decimals), unit)} still possible, ${allowed}`;
}

function describe(funnel, { title, place, unit, decimals, holding_back: reason }) {
  const whose = `Funnel: ${[title, place].filter(Boolean).join(", ")}`;
  if (funnel === null) return `${whose}: nothing yet.`;
  const mean = withUnit(number(funnel.mean.at(-1), decimals + 1), unit);
  const parts = [`running mean ${mean}`, reachText(funnel, { unit }), reason];
  return `${whose}: ${parts.filter(Boolean).join("; ")}.`;
}

// ---------------------------------------------------------------- drawing

function pathsOf(funnel, size, window_s) {
  const { t, mean, bound, tolerance } = funnel;
  const { width, height } = size;
  const middle = mean.at(-1);
  const reach = tolerance * reachOf(bound, tolerance);
  const span_s = Math.max(t.at(-1) - t[0], 1e-9);
  const x = (i) => round(((t[i] - t[0]) / span_s) * width);
  // What lies beyond the edge runs along just outside it.
  const y = (value) => round(Math.min(height + 9, Math.max(-9, height / 2 - ((value - middle) / reach) * (height / 2))));
  const upper = t.map((_, i) => (bound[i] === null ? null : `${x(i)} ${y(mean[i] + bound[i])}`));
  const lower = t.map((_, i) => (bound[i] === null ? null : `${x(i)} ${y(mean[i] - bound[i])}`));
  const from = averagedFrom(funnel, window_s);
  const allowed = [y(middle + tolerance), y(middle - tolerance)];
  return [
    from === null ? "" : `M${[...upper.slice(from), ...lower.slice(from).reverse()].filter(Boolean).join("L")}Z`,
    allowed.map((level) => `M0 ${level}H${width}`).join(""),
    lineThrough(upper) + lineThrough(lower),
    lineThrough(t.map((_, i) => `${x(i)} ${y(mean[i])}`)),
  ];
}

const round = (pixels) => Math.round(pixels * 10) / 10;

// So that a good part of the closing in is seen, unless what is left of it would become too small to be told apart.
function reachOf(bound, tolerance) {
  const last = bound.at(-1);
  const early = bound[Math.floor(bound.length * SEEN_FROM)] ?? Infinity;
  const wanted = Math.min(early, last * MOST_ENLARGED) * 1.1;
  return REACHES.find((reach) => last !== null && wanted <= reach * tolerance) ?? REACHES.at(-1);
}

// From the beginning of the averaged stretch, or, before there is one, since the funnel has stayed between the lines.
function averagedFrom({ t, mean, bound, tolerance }, window_s) {
  if (window_s !== null) {
    const first = t.findIndex((at_s) => at_s >= window_s[0]);
    return first === -1 ? null : first;
  }
  const isOutside = (i) => bound[i] === null || Math.abs(mean[i] - mean.at(-1)) + bound[i] > tolerance;
  const from = t.findLastIndex((_, i) => isOutside(i)) + 1;
  return from === t.length ? null : from;
}

function lineThrough(points) {
  let begun = false;
  return points.map((point) => {
    const command = begun ? "L" : "M";
    begun = point !== null;
    return begun ? command + point : "";
  }).join("");
}
