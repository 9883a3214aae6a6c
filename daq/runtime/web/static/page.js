// The live page: shows what the bench says, and says so when it no longer hears from it.
//
// Four parts: the traces (thinned while they arrive), the link (event stream, watchdog), words and rows, the charts.
// It only reads: nothing here sends anything but GET. It knows no rule of the trade; sentences come from the bench.
// Rules: times are bench seconds unless a name says "real"; data reach the document as text only, never as markup.

const LOST_AFTER_REAL_S = 3;
const REOPEN_AFTER_REAL_S = 10; // A half-open connection raises no error: after this much silence we dial again.
const REDIAL_REAL_S = 3;
const TEXT_REDRAW_REAL_MS = 100;
const TICK_REAL_MS = 250;
const TRACE_S = 600;
const BUCKET_S = 1.5; // 400 buckets of at most three points: no chart ever holds more than 1200.
// Wire and browser jitter is real time. When bench time runs fast it looks that many times longer, and would make
// fresh values flicker "old"; at speed 1 this allowance is nothing.
const JITTER_REAL_S = 0.4;

const URGENCY_WORDS = { action: "Your turn", wait: "Wait", danger: "Danger", normal: "All well" };
const HOLDING_WORDS = {
  drift: "still drifting",
  noise: "too noisy yet",
  resolution: "held back by the meter’s resolution",
  hunting: "hunting to and fro",
};
const CONDITION_WORDS = { overrange: "over range", silent: "silent", "no reading yet": "no reading yet" };
const ROW_SHAPES = {
  done: "done",
  running: "running",
  "to come": "to-come",
  unfinished: "unfinished",
  "not settled": "abnormal",
  "limit broken": "danger",
};

const bench = { snapshot: null, anchor: { now_s: 0, real_ms: 0 } };
const link = {
  source: null,
  heard_ms: performance.now(),
  dialled_ms: 0,
  failed: false, // the browser has reported an error and nothing was heard since
  stated: false, // this connection has brought a snapshot
  caughtUp: false, // state and trace were fetched for this connection
  collecting: null, // readings that arrive while they are fetched
};
const traces = new Map(); // channel name -> Trace
const charts = new Map(); // channel name -> uPlot
const widest = new Map(); // figure -> most digits seen, so that no figure ever jumps in width
let fault = null;

const find = (id) => document.getElementById(id);
const realSeconds = (since_ms) => (performance.now() - since_ms) / 1000;
const speed = () => bench.snapshot?.clock.speed ?? 1;
const nowSeconds = () => bench.anchor.now_s + realSeconds(bench.anchor.real_ms) * speed();

// ---------------------------------------------------------------- text

// A live region speaks when nodes are added. Changing the text inside a node keeps a counting second silent.
function put(node, text) {
  if (node.firstChild === null) node.append(text);
  else if (node.firstChild.data !== text) node.firstChild.data = text;
}

// Two sentences that differ only in what is counted are one announcement. In an instruction other figures matter: they
// name the condition to fit. In an alarm they are readings, which change all the time.
const withoutSeconds = (text) => text.replace(/\d+(?=\s(s|min)\b)/g, "0");
const withoutFigures = (text) => text.replace(/[\d.]+/g, "0");

// A figure and its unit never part at the end of a line.
const bound = (text) => text.replace(/(\d) (?=[^\s\d]{1,4}(?:[\s,.;:]|$))/g, "$1\u00a0");

function make(tag, { className = "", role = "", text = "" } = {}, ...children) {
  const node = document.createElement(tag);
  if (className) node.className = className;
  if (role) node.setAttribute("role", role);
  if (text) node.textContent = text;
  node.append(...children);
  return node;
}

function makeShape() {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("aria-hidden", "true");
  svg.append(document.createElementNS("http://www.w3.org/2000/svg", "use"));
  return svg;
}

function setShape(svg, shape) {
  const href = `#shape-${shape}`;
  if (svg.firstElementChild.getAttribute("href") !== href) svg.firstElementChild.setAttribute("href", href);
}

function number(value, decimals) {
  return value.toFixed(decimals).replace(/^-/, "\u2212");
}

// The box is as wide as the widest figure so far: tabular digits do the rest.
function reserve(node, key, text) {
  const digits = Math.max(widest.get(key) ?? 0, text.replace(".", "").length);
  widest.set(key, digits);
  node.style.minInlineSize = `calc(${digits}ch + ${text.includes(".") ? 0.28 : 0}em)`;
}

function duration(seconds) {
  if (seconds < 120) return `${Math.floor(seconds)} s`;
  return seconds < 7200 ? `${Math.floor(seconds / 60)} min` : `${Math.floor(seconds / 3600)} h`;
}

const clockTime = (utc) => utc.slice(11, 19);

// Keeps the nodes that stay, so that screen readers and the eye are not disturbed.
function syncList(parent, items, keyOf, create, update) {
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
    update(node, item);
  });
  for (const node of known.values()) node.remove();
}

// ---------------------------------------------------------------- traces

// Thins while it appends: a bucket keeps its least and its greatest point and a gap, so that nothing that stood out
// is lost.
class Trace {
  #buckets = [];
  #last_s = -Infinity;
  constructor(gap_s) {
    this.gap_s = gap_s;
  }

  append(t, v) {
    if (t <= this.#last_s) return;
    const bucket = this.#bucketAt(t);
    if (v === null) bucket.gap = t;
    else {
      // A meter that stopped talking leaves no nulls behind: the line must not bridge the silence.
      if (t - this.#last_s > this.gap_s) bucket.gap = t - this.gap_s / 1e3;
      if (bucket.low === null || v < bucket.low.v) bucket.low = { t, v };
      if (bucket.high === null || v >= bucket.high.v) bucket.high = { t, v };
    }
    this.#last_s = t;
  }

  #bucketAt(t) {
    const slot = Math.floor(t / BUCKET_S);
    const last = this.#buckets.at(-1);
    if (last?.slot === slot) return last;
    const bucket = { slot, low: null, high: null, gap: null };
    this.#buckets.push(bucket);
    while (this.#buckets[0].slot <= slot - TRACE_S / BUCKET_S) this.#buckets.shift();
    return bucket;
  }

  points() {
    const t = [];
    const v = [];
    for (const { low, high, gap } of this.#buckets) {
      const here = [low, high === low || high?.t === low?.t ? null : high, gap === null ? null : { t: gap, v: null }];
      for (const point of here.filter(Boolean).sort((a, b) => a.t - b.t)) {
        t.push(point.t);
        v.push(point.v);
      }
    }
    return [t, v];
  }
}

function traceOf(channel) {
  if (!traces.has(channel.name)) traces.set(channel.name, new Trace(oldAfter(channel)));
  return traces.get(channel.name);
}

function replaceTraces(stored, collected) {
  traces.clear();
  for (const channel of bench.snapshot.channels) {
    const trace = traceOf(channel);
    const { t, v } = stored[channel.name] ?? { t: [], v: [] };
    t.forEach((at_s, i) => trace.append(at_s, v[i]));
  }
  for (const reading of collected) appendReading(reading);
}

function appendReading({ at_s, values }) {
  for (const channel of bench.snapshot?.channels ?? []) {
    if (!(channel.name in values)) continue;
    const value = values[channel.name];
    traceOf(channel).append(at_s, value);
    // A single gap leaves the last value standing with its own age; the age tells when it is old.
    if (value !== null && !(channel.at_s >= at_s)) Object.assign(channel, { value, at_s, condition: "ok" });
  }
}

// ---------------------------------------------------------------- the link

function setAnchor(now_s) {
  bench.anchor = { now_s, real_ms: performance.now() };
}

function heard() {
  const missed = link.caughtUp && isLost();
  link.heard_ms = performance.now();
  link.failed = false;
  if (missed) catchUp(link.source); // The same connection after a silence or a sleep.
  schedule();
}

function adopt(snapshot) {
  // What came by as a reading since the snapshot was taken is newer than the snapshot.
  const before = new Map(bench.snapshot?.channels.map((channel) => [channel.name, channel]) ?? []);
  const restarted = snapshot.clock.now_s < (bench.snapshot?.clock.now_s ?? 0);
  for (const channel of snapshot.channels) {
    const { value, at_s, condition } = before.get(channel.name) ?? {};
    if (!restarted && at_s > (channel.at_s ?? -Infinity)) Object.assign(channel, { value, at_s, condition });
  }
  bench.snapshot = snapshot;
  setAnchor(snapshot.clock.now_s);
}

function onState(snapshot) {
  link.stated = true;
  adopt(snapshot);
}

function onReading(reading) {
  if (reading.at_s > nowSeconds()) setAnchor(reading.at_s);
  link.collecting?.push(reading);
  appendReading(reading);
}

async function fetchJson(path) {
  const reply = await fetch(path, { cache: "no-store" });
  if (!reply.ok) throw new Error(`${path}: ${reply.status}`);
  return reply.json();
}

// After every (re)connection: what the stream did not carry is asked for, and what arrives meanwhile is kept aside.
async function catchUp(source) {
  link.collecting = [];
  const answers = await Promise.allSettled([fetchJson("/api/state"), fetchJson("/api/trace")]);
  if (source !== link.source) return;
  const collected = link.collecting;
  link.collecting = null;
  // Left undone it stays not caught up, and the watchdog dials again.
  if (answers.some(({ status }) => status === "rejected")) return;
  const [snapshot, trace] = answers.map(({ value }) => value);
  if (!link.stated) adopt(snapshot); // A snapshot that the stream brought meanwhile is the newer one.
  replaceTraces(trace.channels, collected);
  link.caughtUp = true;
  heard();
}

function dial() {
  link.source?.close();
  Object.assign(link, { source: new EventSource("/api/live"), dialled_ms: performance.now() });
  const { source } = link;
  const listen = (name, take) =>
    source.addEventListener(name, (event) => {
      take(JSON.parse(event.data));
      heard();
    });
  listen("state", onState);
  listen("reading", onReading);
  listen("beat", (beat) => setAnchor(beat.now_s));
  source.addEventListener("open", () => {
    Object.assign(link, { stated: false, caughtUp: false });
    catchUp(source);
  });
  source.addEventListener("error", () => {
    link.failed = true;
    schedule();
  });
}

const isLost = () => link.failed || realSeconds(link.heard_ms) > LOST_AFTER_REAL_S;

// The browser redials by itself, but not after a refusal, and it does not notice a connection that merely fell silent.
function watch() {
  const { CLOSED, OPEN } = EventSource;
  const { readyState } = link.source;
  const refused = readyState === CLOSED || (readyState === OPEN && !link.caughtUp);
  const silent = realSeconds(link.heard_ms) > REOPEN_AFTER_REAL_S;
  const dialled_s = realSeconds(link.dialled_ms);
  if ((refused && dialled_s > REDIAL_REAL_S) || (silent && dialled_s > REOPEN_AFTER_REAL_S)) dial();
  schedule();
}

// ---------------------------------------------------------------- banners

const danger = (text) => ({ kind: "danger", shape: "danger", text });
const abnormal = (text) => ({ kind: "abnormal", shape: "abnormal", text });

function banners() {
  const list = [];
  if (fault !== null) list.push(danger(`This page itself has failed: ${fault}. Load it again.`));
  if (isLost()) list.push({ kind: "abnormal", shape: "parted", text: lostText() });
  if (bench.snapshot === null) return list;
  const { alarms, instruments, store } = bench.snapshot;
  for (const { text } of alarms) list.push(danger(text));
  for (const { name, state, text } of instruments) {
    if (state === "waiting") list.push({ kind: "wait", shape: "wait", text: `Meter ${name} is waited for: ${text}.` });
    else if (state !== "ok") list.push(abnormal(`Meter ${name} is ${state}: ${text}.`));
  }
  if (store.state !== "ok") list.push(abnormal(`Store is ${store.state}: ${store.text}.`));
  return list;
}

function lostText() {
  const since = `${Math.floor(realSeconds(link.heard_ms))} s`;
  if (bench.snapshot === null) return `No connection to the bench yet, tried for ${since}.`;
  return `Connection to the bench lost since ${since}: what you see is old.`;
}

function makeBanner({ kind }) {
  const node = make("div", { role: "alert" }, make("p", {}, makeShape(), make("span")));
  node.setAttribute("aria-relevant", "additions");
  node.dataset.kind = kind;
  return node;
}

function drawBanners() {
  const keyOf = ({ kind, text }) => kind + withoutFigures(text);
  syncList(find("banners"), banners(), keyOf, makeBanner, (node, { shape, text }) => {
    setShape(node.querySelector("svg"), shape);
    put(node.querySelector("span"), bound(text));
  });
}

// ---------------------------------------------------------------- head and instruction

function drawHead({ bench: name, machine, clock, session }) {
  put(find("machine"), machine);
  const whole = session.state === "finished" ? "finished" : `${session.done} of ${session.total} trials done`;
  put(find("session"), `bench ${name}, session ${session.number}, ${whole}`);
  find("demonstration").hidden = clock.speed === 1;
  const pace = clock.speed >= 1 ? `${clock.speed} times as fast as` : `at ${clock.speed} of the pace of`;
  put(find("demonstration"), `Demonstration: time runs ${pace} life.`);
  if (isLost()) return; // A clock that went on would vouch for what stands below it.
  const utc = new Date(Date.parse(clock.utc) + (nowSeconds() - clock.now_s) * 1000);
  put(find("clock"), `${clockTime(utc.toISOString())} UTC`);
}

function drawInstruction({ instruction: sentence, urgency, stage }) {
  const instruction = bound(sentence);
  document.body.dataset.urgency = urgency;
  put(find("urgency-word"), URGENCY_WORDS[urgency]);
  setShape(find("urgency").querySelector("svg"), urgency);
  put(find("stage"), bound(stage.sentence));
  const heading = find("instruction");
  const words = withoutSeconds(instruction);
  if (heading.dataset.words === words) put(heading, instruction);
  else {
    heading.dataset.words = words;
    heading.replaceChildren(instruction);
    fitInstruction();
  }
  document.title = `${instruction} – steadybench`;
}

// Only when the words change or the window does: a sentence that counts down keeps its size.
function fitInstruction() {
  const heading = find("instruction");
  heading.style.minBlockSize = "0"; // The kept room would hide how many lines there are.
  const lines = window.innerWidth < 752 ? 4 : 2;
  for (const fit of [1, 0.86, 0.75, 0.65]) {
    heading.style.setProperty("--fit", fit);
    if (heading.clientHeight <= (lines + 0.5) * parseFloat(getComputedStyle(heading).lineHeight)) break;
  }
  heading.style.minBlockSize = "";
}

function drawProgress({ stage: { progress, seconds_left: left } }) {
  const percent = progress === null ? 0 : Math.round(Math.min(1, Math.max(0, progress)) * 1000) / 10;
  const bar = find("bar");
  bar.firstElementChild.style.inlineSize = `${percent}%`;
  if (progress === null) bar.removeAttribute("aria-valuenow");
  else bar.setAttribute("aria-valuenow", Math.round(percent));
  put(find("left"), left === null ? "" : `about ${duration(Math.ceil(left))} more`);
}

// ---------------------------------------------------------------- figures

const oldAfter = ({ interval_s }) => Math.max(2, 2.5 * interval_s);
const ageOf = ({ at_s }) => (at_s === null ? null : Math.max(0, nowSeconds() - at_s));

function agoText(channel) {
  const age_s = ageOf(channel);
  return age_s < 1 ? "just now" : `${duration(age_s)} ago`;
}

function isOld(channel) {
  if (channel.at_s === null) return false;
  const allowance = JITTER_REAL_S * Math.max(0, speed() - 1);
  return ["old", "silent"].includes(channel.condition) || ageOf(channel) > oldAfter(channel) + allowance;
}

// The mean is known finer than one reading: one decimal more.
function meanText({ mean, expanded_uncertainty: expanded, decimals, unit }) {
  if (mean === null) return "";
  const spread = expanded === null ? "" : ` ± ${number(expanded, decimals + 1)}`;
  return `mean ${number(mean, decimals + 1)}${spread} ${unit}`;
}

function makeFigure() {
  return make("p", { className: "figure" }, make("span", { className: "value" }), make("span", { className: "unit" }));
}

function drawFigure(node, channel, scope) {
  const text = channel.value === null ? "–" : number(channel.value, channel.decimals);
  const value = node.querySelector(".value");
  put(value, text);
  reserve(value, `${scope} ${channel.name}`, text);
  put(node.querySelector(".unit"), channel.unit);
  node.classList.toggle("is-old", isOld(channel));
}

// The word that must be noticed stands first and heavy; what is merely good to know follows.
function drawAside(node, word, text) {
  put(node.querySelector("b"), word);
  put(node.querySelector("span"), word && text ? `, ${text}` : text);
}

function warningWord(channel) {
  const words = [CONDITION_WORDS[channel.condition]];
  if (isOld(channel) && channel.condition !== "silent") words.push("old");
  if (isOld(channel)) words.push(`read ${agoText(channel)}`);
  return words.filter(Boolean).join(", ");
}

const makeAside = () => make("p", { className: "aside" }, make("b"), make("span"));

function makeDigit() {
  const name = make("p", { className: "name" }, make("span"), " ", make("small"));
  return make("li", {}, name, makeFigure(), makeAside());
}

function drawName(node, channel) {
  put(node.querySelector(".name > span"), channel.title);
  put(node.querySelector(".name > small"), channel.place);
}

function drawDigits({ channels }) {
  const required = channels.filter((channel) => channel.required);
  syncList(find("digits"), required, ({ name }) => name, makeDigit, (node, channel) => {
    drawName(node, channel);
    drawFigure(node, channel, "digit");
    const rest = HOLDING_WORDS[channel.holding_back] ?? meanText(channel);
    drawAside(node.querySelector(".aside"), warningWord(channel), rest);
  });
}

// ---------------------------------------------------------------- the slip

const columnsOf = ({ channels }) => [...channels].sort((a, b) => Number(b.required) - Number(a.required));
const columnClass = ({ required }) => (required ? "number" : "number further");

function makeHeading(text, { className = "", below = "" } = {}) {
  const cell = make("th", { className, role: "columnheader", text });
  cell.scope = "col";
  if (below) cell.append(" ", make("small", { text: below }));
  return cell;
}

function drawSlipHead(snapshot) {
  const columns = columnsOf(snapshot);
  const head = find("slip-head");
  const signature = JSON.stringify(columns.map(({ title, unit, place, required }) => [title, unit, place, required]));
  if (head.dataset.signature === signature) return;
  head.dataset.signature = signature;
  const figures = columns.map((channel) =>
    makeHeading(`${channel.title}, ${channel.unit}`, { className: columnClass(channel), below: channel.place }),
  );
  head.replaceChildren(makeHeading("No."), makeHeading("Condition"), ...figures, makeHeading("State"));
  find("slip-rows").replaceChildren();
  find("slip").classList.remove("tight");
}

// The channels that are not required stand in the slip where there is room for them. Once out they stay out until the
// window or the channels change: columns that come and go would be worse than none.
function fitSlip() {
  const slip = find("slip");
  if (slip.scrollWidth > slip.parentElement.clientWidth) slip.classList.add("tight");
}

function refitSlip() {
  find("slip").classList.remove("tight");
  fitSlip();
}

function makeRow(columns) {
  const condition = make("th", { className: "condition", role: "rowheader" }, make("span"), " ", make("small"));
  condition.scope = "row";
  const cells = columns.map((channel) => {
    const parts = [make("span"), make("span"), make("span")]; // mean, sign, uncertainty
    const cell = make("td", { className: columnClass(channel), role: "cell" }, ...parts);
    cell.dataset.label = `${channel.title}, ${channel.unit}`;
    return cell;
  });
  const note = make("small", { className: "note" });
  const state = make("td", { className: "state", role: "cell" }, makeShape(), make("span"), note);
  return make("tr", { role: "row" }, make("td", { className: "position", role: "cell" }), condition, ...cells, state);
}

// The running row fills as it averages: the channels carry its figures before the slip does.
function averageOf(row, channel) {
  const average = row.averages[channel.name];
  if (average !== undefined) return average;
  if (row.state !== "running" || channel.mean === null) return null;
  return { ...channel, decimals: channel.decimals + 1 };
}

// What is not yet known is a blank, never a zero.
function drawAverage(cell, average, key) {
  const [mean, sign, spread] = cell.querySelectorAll("span");
  cell.classList.toggle("blank", average === null);
  put(mean, average === null ? "" : number(average.mean, average.decimals));
  const known = average !== null && average.expanded_uncertainty !== null;
  const text = known ? number(average.expanded_uncertainty, average.decimals) : "";
  put(sign, known ? "\u00a0±\u00a0" : "");
  put(spread, text);
  if (known) reserve(spread, `spread ${key}`, text);
}

function drawRow(node, row, snapshot) {
  const provisional = row.state === "running" && snapshot.trial?.confirmed !== true;
  node.dataset.state = row.state;
  node.classList.toggle("provisional", provisional);
  put(node.querySelector(".position"), String(row.position));
  const [name, detail] = node.querySelector("th").children;
  put(name, row.condition);
  const repeated = snapshot.slip.some(({ repeat }) => repeat > 1);
  put(detail, [row.baseline ? "baseline" : "", repeated ? `repeat ${row.repeat}` : ""].filter(Boolean).join(", "));
  const columns = columnsOf(snapshot);
  node.querySelectorAll(".number").forEach((cell, i) => drawAverage(cell, averageOf(row, columns[i]), columns[i].name));
  setShape(node.querySelector(".state svg"), ROW_SHAPES[row.state]);
  const filling = provisional && columns.some((channel) => averageOf(row, channel) !== null);
  put(node.querySelector(".state span"), filling ? "running, provisional" : row.state);
  put(node.querySelector(".note"), row.note ?? "");
}

function drawSlip(snapshot) {
  drawSlipHead(snapshot);
  const { done, total } = snapshot.session;
  put(find("slip-count"), `${done} of ${total} done; mean ± expanded uncertainty`);
  const create = () => makeRow(columnsOf(snapshot));
  const update = (node, row) => drawRow(node, row, snapshot);
  syncList(find("slip-rows"), snapshot.slip, ({ position }) => position, create, update);
  const states = snapshot.slip.map(({ state }) => state).join();
  if (find("slip").dataset.states === states) return;
  find("slip").dataset.states = states;
  fitSlip();
}

// ---------------------------------------------------------------- charts

const POWERS = [-4, -3, -2, -1, 0, 1, 2, 3, 4];
const AXIS_STEPS = POWERS.flatMap((power) => [1, 2, 5].map((digit) => Number(`${digit}e${power}`)));
const CHART_REDRAW_REAL_MS = 250;
const calm = matchMedia("(prefers-reduced-motion: reduce)");
const sight = new IntersectionObserver((entries) => {
  for (const { target, isIntersecting } of entries) target.dataset.seen = isIntersecting ? "yes" : "";
});
const sizes = new ResizeObserver((entries) => {
  for (const { target, contentRect } of entries) {
    const { width, height } = contentRect;
    charts.get(target.dataset.channel)?.setSize({ width, height });
  }
});

const colour = (name) => getComputedStyle(find("channels")).getPropertyValue(name).trim();

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

function xOf(plot, t) {
  const { left, width } = plot.bbox;
  return Math.min(left + width, Math.max(left, plot.valToPos(t, "x", true)));
}

function hatch(plot, from, until) {
  const { ctx } = plot;
  const { top, height } = plot.bbox;
  ctx.beginPath();
  ctx.rect(from, top, until - from, height);
  ctx.clip();
  ctx.beginPath();
  for (let x = from - height; x < until; x += 8 * devicePixelRatio) {
    ctx.moveTo(x, top + height);
    ctx.lineTo(x + height, top);
  }
  ctx.strokeStyle = colour("--rule");
  ctx.lineWidth = devicePixelRatio;
  ctx.stroke();
}

function shadeMean(plot, from, until, { mean, expanded_uncertainty: expanded }) {
  const { ctx } = plot;
  const y = (value) => plot.valToPos(value, "y", true);
  ctx.fillStyle = colour("--rule");
  if (expanded !== null) ctx.fillRect(from, y(mean + expanded), until - from, y(mean - expanded) - y(mean + expanded));
  ctx.fillStyle = colour("--mark");
  ctx.fillRect(from, y(mean) - devicePixelRatio, until - from, 2 * devicePixelRatio);
}

function shade(plot, name) {
  const { trial, channels } = bench.snapshot;
  if (trial === null) return;
  const channel = channels.find((one) => one.name === name);
  const { ctx, bbox } = plot;
  ctx.save();
  if (trial.window_s !== null) {
    const [from, until] = trial.window_s.map((t) => xOf(plot, t));
    ctx.fillStyle = colour("--shade");
    ctx.fillRect(from, bbox.top, until - from, bbox.height);
    if (channel?.mean != null) shadeMean(plot, from, until, channel);
  }
  hatch(plot, xOf(plot, trial.started_s), xOf(plot, trial.run_up_end_s ?? nowSeconds()));
  ctx.restore();
}

function minuteText(minutes) {
  return minutes === 0 ? "now" : `\u2212${minutes} min`;
}

// Time is told from now: the marks stand still and the trace moves past them.
function timeAxis(common) {
  const minutes = [8, 6, 4, 2, 0];
  return {
    ...common,
    size: 24,
    gap: 4,
    grid: { show: false },
    splits: (plot) => minutes.map((minute) => plot.scales.x.max - minute * 60),
    values: () => minutes.map(minuteText),
  };
}

function valueAxis(common) {
  const decimals = (step) => Math.max(0, -Math.floor(Math.log10(step)));
  return {
    ...common,
    size: 56,
    space: 32,
    grid: { stroke: () => colour("--rule"), width: 1 },
    incrs: AXIS_STEPS,
    values: (_plot, splits, _axis, _space, step) => splits.map((value) => number(value, decimals(step))),
  };
}

function makeChart(box, channel) {
  const { name } = channel;
  const current = () => bench.snapshot.channels.find((one) => one.name === name) ?? channel;
  const font = `14px ${getComputedStyle(document.body).fontFamily}`;
  const common = { stroke: () => colour("--soft"), font, ticks: { show: false } };
  const options = {
    width: box.clientWidth,
    height: box.clientHeight,
    legend: { show: false },
    cursor: { show: false },
    padding: [8, 20, 0, 0],
    scales: {
      x: { time: false, range: () => [nowSeconds() - TRACE_S, nowSeconds()] },
      y: { range: () => valueRange(current()) },
    },
    axes: [timeAxis(common), valueAxis(common)],
    series: [{}, { stroke: () => colour("--ink"), width: 1.5, points: { show: false } }],
    hooks: { drawClear: [(plot) => shade(plot, name)] },
  };
  return new uPlot(options, [[], []], box);
}

// What the chart shows, in words, for those who cannot see it.
function describe(box, channel) {
  const { title, place, unit, decimals } = channel;
  const known = traceOf(channel).points()[1].filter((value) => value !== null);
  const [low, high] = [Math.min(...known), Math.max(...known)].map((value) => number(value, decimals));
  const span = known.length === 0 ? "no readings" : `between ${low} and ${high} ${unit}`;
  const parts = [`Chart: ${title}, ${place}, the last ten minutes, ${span}`, meanText(channel)];
  const label = `${parts.filter(Boolean).join("; ")}.`;
  if (box.getAttribute("aria-label") !== label) box.setAttribute("aria-label", label);
}

function makeChannel(channel) {
  const box = make("div", { className: "chart", role: "img" });
  box.dataset.channel = channel.name;
  sight.observe(box);
  sizes.observe(box);
  const name = make("h3", { className: "name" }, make("span"), " ", make("small"));
  const words = make("div", {}, name, makeFigure(), makeAside(), make("p", { className: "aside mean" }));
  return make("article", { className: "channel" }, words, box);
}

function drawChannels({ channels }) {
  syncList(find("channels"), channels, ({ name }) => name, makeChannel, (node, channel) => {
    const warning = warningWord(channel);
    drawName(node, channel);
    drawFigure(node, channel, "channel");
    const source = warning ? channel.instrument : `read ${agoText(channel)} by ${channel.instrument}`;
    drawAside(node.querySelector(".aside"), warning, source);
    put(node.querySelector(".mean"), meanText(channel));
  });
}

let charted_ms = 0;
// What came before the connection was lost stands still: it must not look as if it went on.
function drawCharts() {
  const pause_ms = calm.matches ? 2000 : Math.max(CHART_REDRAW_REAL_MS, 1000 / speed());
  if (isLost() || performance.now() - charted_ms < pause_ms || typeof uPlot === "undefined") return;
  charted_ms = performance.now();
  for (const channel of bench.snapshot.channels) {
    const box = document.querySelector(`[data-channel="${CSS.escape(channel.name)}"]`);
    describe(box, channel);
    if (!box.dataset.seen) continue;
    if (!charts.has(channel.name)) charts.set(channel.name, makeChart(box, channel));
    charts.get(channel.name).setData(traceOf(channel).points());
  }
}

// ---------------------------------------------------------------- margin and events

function meterLine({ name, port, state, text, readings, gaps }) {
  const counts = `${readings} readings, ${gaps} ${gaps === 1 ? "gap" : "gaps"}`;
  return { name: `Meter ${name}`, ill: state !== "ok", text: `${state}, ${text}; ${counts}; on ${port}` };
}

// A broker that is off is a choice, not an ailment.
function serviceLine(name, { state, text }) {
  return { name, ill: state === "failing" || state === "away", text: `${state}, ${text}` };
}

function marginLines({ instruments, store, broker }) {
  return [...instruments.map(meterLine), serviceLine("Store", store), serviceLine("Broker", broker)];
}

function drawMargin(snapshot) {
  const create = () => make("li", {}, make("span"), make("span", {}, makeShape(), make("span")));
  syncList(find("margin"), marginLines(snapshot), ({ name }) => name, create, (node, { name, ill, text }) => {
    put(node.firstElementChild, name);
    setShape(node.querySelector("svg"), ill ? "abnormal" : "done");
    put(node.lastElementChild.lastElementChild, text);
    node.classList.toggle("ill", ill);
  });
}

function drawEvents({ events }) {
  const create = ({ utc, text }) => {
    const time = make("time", { text: clockTime(utc) });
    time.dateTime = utc;
    return make("li", {}, time, make("span", { text }));
  };
  syncList(find("events"), events, ({ utc, text }) => utc + text, create, () => {});
}

// ---------------------------------------------------------------- when to draw

function draw() {
  document.body.dataset.link = isLost() ? "lost" : "live";
  drawBanners();
  const { snapshot } = bench;
  if (snapshot === null) return;
  const parts = [drawHead, drawInstruction, drawProgress, drawDigits, drawSlip, drawChannels, drawMargin, drawEvents];
  for (const part of parts) part(snapshot);
  drawCharts();
}

let drawn_ms = -Infinity;
let waiting = false;
// At most ten times a second, in step with the screen, and never for a page that nobody sees.
function schedule() {
  if (waiting || document.hidden) return;
  waiting = true;
  const pause_ms = Math.max(0, TEXT_REDRAW_REAL_MS - (performance.now() - drawn_ms));
  setTimeout(() => requestAnimationFrame(() => {
    waiting = false;
    drawn_ms = performance.now();
    draw();
  }), pause_ms);
}

// A page that stopped drawing would go on looking alive: it has to say so.
function confess(reason) {
  fault = String(reason?.message ?? reason);
  drawBanners();
}

addEventListener("error", ({ error, message }) => confess(error ?? message));
addEventListener("unhandledrejection", ({ reason }) => confess(reason));
addEventListener("resize", fitInstruction);
addEventListener("resize", refitSlip);
document.addEventListener("visibilitychange", schedule);
setInterval(watch, TICK_REAL_MS);
dial();
