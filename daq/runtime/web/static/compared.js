// The growing comparison: what each condition costs against the baseline, as far as the session has come.
//
// Verdicts and sentences are the bench's. A condition that was measured more than once has one difference, which stands
// in the row of its newest trial that is done. What is not in a column of the slip is told below it.

import { decimalsFor, find, make, makeShape, number, put, setShape, signed, syncList, withUnit } from "./writing.js";

const VERDICT_SHAPES = { real: "real", "none found": "none-found", undecided: "undecided" };

// Channel name -> difference, for the one row of a condition that carries them.
export function differencesAt({ condition, position }, { comparison, slip }) {
  const newest = slip.findLast((row) => row.condition === condition && row.state === "done");
  if (comparison === null || newest?.position !== position) return new Map();
  const own = comparison.differences.filter((difference) => difference.condition === condition);
  return new Map(own.map((difference) => [difference.channel, difference]));
}

export function makeDifference() {
  const verdict = make("span", { className: "verdict" }, makeShape(), make("b"));
  return make("span", { className: "difference" }, make("span"), " ", verdict);
}

export function drawDifference(node, difference) {
  node.hidden = difference === null;
  if (difference === null) return;
  put(node.firstElementChild, differenceText(difference));
  drawVerdict(node.lastElementChild, difference.verdict);
}

function drawVerdict(node, verdict) {
  setShape(node.firstElementChild, VERDICT_SHAPES[verdict] ?? "undecided");
  put(node.lastElementChild, verdict);
}

function differenceText({ difference, expanded_uncertainty: expanded, unit, decimals, percent }) {
  const figure = withUnit(`${signed(difference, decimals)}\u00a0±\u00a0${number(expanded, decimals)}`, unit);
  if (percent === null) return figure;
  // As fine as the difference itself is known.
  const share = difference === 0 ? 0 : Math.abs((percent / difference) * expanded);
  return `${figure}, ${signed(percent, decimalsFor(share))}\u00a0%`;
}

// ---------------------------------------------------------------- below the slip

export function drawAnswer({ comparison, session, channels }) {
  const lines = comparison === null ? [] : answerLines(comparison, channels);
  find("answer").hidden = lines.length === 0;
  if (lines.length === 0) return;
  const { after_trials: count } = comparison;
  const so_far = session.state === "finished" ? "" : " so far";
  put(find("answer-title"), `The answer${so_far}, after ${count} ${count === 1 ? "trial" : "trials"}`);
  syncList(find("answer-words"), lines, {
    keyOf: ({ words }) => words,
    create: ({ words }) => make("li", {}, make("span", { text: words }), " ", make("span", { className: "verdict" }, makeShape(), make("b"))),
    update: drawAnswerLine,
  });
}

function answerLines({ answer, differences }, channels) {
  const shown = new Set(channels.filter(({ required }) => required).map(({ name }) => name));
  const further = differences.filter(({ channel, words }) => !shown.has(channel) && !answer.includes(words));
  return [...answer.map((words) => ({ words, verdict: null })), ...further];
}

function drawAnswerLine(node, { verdict }) {
  node.lastElementChild.hidden = verdict === null;
  if (verdict !== null) drawVerdict(node.lastElementChild, verdict);
}
