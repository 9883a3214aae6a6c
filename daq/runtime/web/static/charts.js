// The moving charts: the last ten minutes of each channel, what is being averaged, and the same in words.
//
// The chart library draws; what is shaded, marked and cut off is decided here. A chart out of sight is not drawn.

import { bench, heardSeconds, nowSeconds, speed, traceOf } from "./bench.js";
import { meanText } from "./figures.js";
import { isLost, silence_s } from "./link.js";
import { shade } from "./shading.js";
import { TRACE_S } from "./traces.js";
import { make, number, withUnit } from "./writing.js";

const POWERS = [-4, -3, -2, -1, 0, 1, 2, 3, 4];
const AXIS_STEPS = POWERS.flatMap((power) => [1, 2, 5].map((digit) => Number(`${digit}e${power}`)));
const shownSeconds = () => (isLost() ? heardSeconds(silence_s()) : nowSeconds());
const MINUTES = [8, 6, 4, 2, 0];
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

export function makeChartBox({ name }) {
  const box = make("div", { className: "chart", role: "img" });
  box.dataset.channel = name;
  sight.observe(box);
  sizes.observe(box);
  return box;
}

export function drawCharts() {
  const pause_ms = calm.matches ? REDRAW_CALMLY_REAL_MS : Math.max(REDRAW_REAL_MS, 1000 / speed());
  if (performance.now() - charted_ms < pause_ms || typeof uPlot === "undefined") return;
  charted_ms = performance.now();
  for (const channel of bench.snapshot.channels) {
    drawChart(document.querySelector(`[data-channel="${CSS.escape(channel.name)}"]`), channel);
  }
}

function drawChart(box, channel) {
  const points = traceOf(channel).points();
  describe(box, channel, points[1]);
  // Without a connection a chart stands still: it must not look as if it went on.
  if (!box.dataset.seen || (isLost() && charts.has(box))) return;
  if (!charts.has(box)) charts.set(box, makeChart(box, channel));
  charts.get(box).setData(points);
}

// What the chart shows, in words, for those who cannot see it.
function describe(box, channel, values) {
  const { title, place, unit, decimals } = channel;
  const known = values.filter((value) => value !== null);
  const [low, high] = [Math.min(...known), Math.max(...known)].map((value) => number(value, decimals));
  const span = known.length === 0 ? "no readings" : `${withUnit(`between ${low} and ${high}`, unit)}`;
  const parts = [`Chart: ${title}, ${place}, the last ten minutes, ${span}`, meanText(channel)];
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
    padding: [8, 20, 0, 0],
    scales: {
      x: { time: false, range: () => [shownSeconds() - TRACE_S, shownSeconds()] },
      y: { range: () => valueRange(current()) },
    },
    axes: [timeAxis(common), valueAxis(common, colour)],
    series: [{}, { stroke: () => colour("--ink"), width: 1.5, points: { show: false } }],
    hooks: { drawClear: [(plot) => shade(plot, current(), bench.snapshot.trial, colour)] },
  };
  return new uPlot(options, [[], []], box);
}

// Time is told from now: the marks stand still and the trace moves past them.
function timeAxis(common) {
  return {
    ...common,
    size: 24,
    gap: 4,
    grid: { show: false },
    splits: (plot) => MINUTES.map((minute) => plot.scales.x.max - minute * 60),
    values: () => MINUTES.map((minute) => (minute === 0 ? "now" : `\u2212${minute} min`)),
  };
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
  const [low, high] = [Math.min(...late), Math.max(...late)];
  const span = Math.max(high - low, 4 * 10 ** -decimals);
  const near = v.filter((value) => value !== null && value > low - span && value < high + span);
  const margin = span * 0.15;
  return [Math.min(low, ...near) - margin, Math.max(high, ...near) + margin];
}
