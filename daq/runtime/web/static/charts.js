// The moving charts: the last ten minutes of each channel, what is being averaged, and the same in words.
//
// The chart library draws; what is shaded, marked and cut off is decided here. A chart out of sight is not drawn. They
// are drawn in turn, a few in a frame, so that no figure ever waits for a dozen of them. Of a stored trial the charts
// show the whole span, and time is told from its beginning.

import { bench, heardSeconds, nowSeconds, speed, traceOf } from "./bench.js";
import { meanText } from "./figures.js";
import { isLost, silence_s } from "./link.js";
import { shade } from "./shading.js";
import { TRACE_S } from "./traces.js";
import { make, number, withUnit } from "./writing.js";

const POWERS = [-4, -3, -2, -1, 0, 1, 2, 3, 4];
const AXIS_STEPS = POWERS.flatMap((power) => [1, 2, 5].map((digit) => Number(`${digit}e${power}`)));
const MINUTES = [8, 6, 4, 2, 0];
const STEPS_S = [10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400];
const MOST_STEPS = 6;
const SPARSE_S = 10; // Readings so far apart are shown as points: a line alone hides where they lie, and a single one.
const POINT_PX = 7;
const FRAME_SHARE_MS = 5;
const REDRAW_REAL_MS = 250;
const REDRAW_CALMLY_REAL_MS = 2000;

const charts = new WeakMap(); // box -> uPlot
const calm = matchMedia("(prefers-reduced-motion: reduce)");
const sight = new IntersectionObserver((entries) => {
  for (const { target, isIntersecting } of entries) target.dataset.seen = isIntersecting ? "yes" : "";
});
const sizes = new ResizeObserver((entries) => {
  for (const { target, contentRect } of entries) {
    const { width, height } = contentRect;
    charts.get(target)?.setSize({ width, height });
  }
});

let charted_ms = 0;
let inTurn = []; // names of channels whose charts are due

export function makeChartBox({ name, title }) {
  const box = make("div", { className: "chart", role: "img" });
  box.setAttribute("aria-label", `Chart: ${title}, no readings yet.`);
  box.dataset.channel = name;
  sight.observe(box);
  sizes.observe(box);
  return box;
}

// Tells whether there are more to be drawn with the next frame.
export function drawCharts() {
  if (typeof uPlot === "undefined") return false;
  const pause_ms = calm.matches ? REDRAW_CALMLY_REAL_MS : Math.max(REDRAW_REAL_MS, 1000 / speed());
  const began_ms = performance.now();
  if (inTurn.length === 0 && began_ms - charted_ms >= pause_ms) {
    charted_ms = began_ms;
    inTurn = bench.snapshot.channels.map(({ name }) => name);
  }
  while (inTurn.length > 0 && performance.now() - began_ms < FRAME_SHARE_MS) drawChart(inTurn.shift());
  return inTurn.length > 0;
}

function drawChart(name) {
  const channel = bench.snapshot.channels.find((each) => each.name === name);
  const box = document.querySelector(`[data-channel="${CSS.escape(name)}"]`);
  if (channel === undefined || box === null) return;
  const points = traceOf(channel).points();
  describe(box, channel, points[1]);
  if (!box.dataset.seen) return;
  if (!charts.has(box)) charts.set(box, makeChart(box, channel));
  const chart = charts.get(box);
  chart.setData(points);
  if (isLost()) chart.redraw(false); // Its scale stands still, and with it would the marks.
}

// What the chart shows, in words, for those who cannot see it.
function describe(box, channel, values) {
  const { title, place, unit, decimals } = channel;
  const known = values.filter((value) => value !== null);
  const [low, high] = [least(known), greatest(known)].map((value) => number(value, decimals));
  const span = known.length === 0 ? "no readings" : `${withUnit(`between ${low} and ${high}`, unit)}`;
  const lately = isLost() ? "the ten minutes before the bench was last heard" : "the last ten minutes";
  const when = bench.span === null ? lately : "the trial";
  const parts = [`Chart: ${[title, place, when, span].filter(Boolean).join(", ")}`, meanText(channel)];
  const label = `${parts.filter(Boolean).join("; ")}.`;
  if (box.getAttribute("aria-label") !== label) box.setAttribute("aria-label", label);
}

// ---------------------------------------------------------------- making one

function makeChart(box, channel) {
  const current = () => bench.snapshot.channels.find(({ name }) => name === channel.name) ?? channel;
  const colour = (name) => getComputedStyle(box).getPropertyValue(name).trim();
  const font = `14px ${getComputedStyle(document.body).fontFamily}`;
  const common = { stroke: () => colour("--soft"), font, ticks: { show: false } };
  const options = {
    width: box.clientWidth,
    height: box.clientHeight,
    legend: { show: false },
    cursor: { show: false },
    padding: [8, 28, 0, 0], // half of "−10 min"
    scales: {
      x: { time: false, range: shownSpan },
      y: { range: () => valueRange(current()) },
    },
    axes: [timeAxis(common), valueAxis(common, colour)],
    series: [{}, { stroke: () => colour("--ink"), width: 1.5, points: pointsOf(channel, colour) }],
    hooks: { drawClear: [(plot) => shade(plot, current(), bench.snapshot.trial, colour)] },
  };
  return new uPlot(options, [[], []], box);
}

function pointsOf({ interval_s }, colour) {
  return { show: interval_s >= SPARSE_S, size: POINT_PX, stroke: () => colour("--ink"), fill: () => colour("--ink") };
}

// Without a connection the trace stands still, for it must not look as if it went on; how long ago it was goes on.
function shownSpan() {
  if (bench.span !== null) return bench.span;
  const now_s = isLost() ? heardSeconds(silence_s()) : nowSeconds();
  return [now_s - TRACE_S, now_s];
}

const shownAgo_s = () => (isLost() ? silence_s() * speed() : 0);

// Time is told from now: the marks stand still and the trace moves past them. Of a stored trial it is told from its start.
function timeAxis(common) {
  return {
    ...common,
    size: 24,
    gap: 4,
    grid: { show: false },
    splits: ({ scales: { x } }) => (bench.span === null ? MINUTES.map((minute) => x.max - minute * 60) : spanMarks(x)),
    values: ({ scales: { x } }, splits) =>
      splits.map((t) => (bench.span === null ? agoMark(x.max - t + shownAgo_s()) : laterMark(t - x.min))),
  };
}

function agoMark(ago_s) {
  if (ago_s < 1) return "now";
  return ago_s < 60 ? `\u2212${Math.floor(ago_s)} s` : `\u2212${Math.round(ago_s / 60)} min`;
}

const laterMark = (later_s) => (later_s < 120 ? `${Math.round(later_s)} s` : `${Math.round(later_s / 6) / 10} min`);

function spanMarks({ min, max }) {
  const step_s = STEPS_S.find((step) => (max - min) / step <= MOST_STEPS) ?? (max - min) / MOST_STEPS;
  return Array.from({ length: Math.floor((max - min) / step_s) + 1 }, (_, i) => min + i * step_s);
}

function valueAxis(common, colour) {
  const decimals = (step) => Math.max(0, -Math.floor(Math.log10(step)));
  return {
    ...common,
    size: 56,
    space: 24,
    grid: { stroke: () => colour("--rule"), width: 1 },
    incrs: AXIS_STEPS,
    values: (_plot, splits, _axis, _space, step) => splits.map((value) => number(value, decimals(step))),
  };
}

// Once it runs, the stretch after run-up is what matters: the switch-on would flatten everything worth seeing. Earlier
// readings are taken in only where they lie close by, such as the trial before.
function valueRange(channel) {
  const { mean, expanded_uncertainty: expanded, decimals } = channel;
  const [t, v] = traceOf(channel).points();
  const since_s = bench.snapshot.trial?.run_up_end_s ?? -Infinity;
  const late = v.filter((value, i) => value !== null && t[i] >= since_s);
  if (mean !== null) late.push(mean - (expanded ?? 0), mean + (expanded ?? 0));
  if (late.length === 0) return [0, 1];
  const [low, high] = [least(late), greatest(late)];
  const span = Math.max(high - low, 4 * 10 ** -decimals);
  const near = v.filter((value) => value !== null && value > low - span && value < high + span);
  const margin = span * 0.15;
  return [Math.min(low, least(near)) - margin, Math.max(high, greatest(near)) + margin];
}

const least = (values) => values.reduce((low, value) => Math.min(low, value), Infinity);
const greatest = (values) => values.reduce((high, value) => Math.max(high, value), -Infinity);
