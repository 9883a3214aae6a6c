// The live page: shows what the bench says, and says so when it no longer hears from it.
//
// This module decides when to draw; the parts decide what. It only reads: nothing here changes anything at the bench. It
// knows no rule of the trade; sentences come from the bench.

import { confess, drawBanners } from "./banners.js";
import { bench, isFinished } from "./bench.js";
import { drawCharts } from "./charts.js";
import { drawDigits } from "./figures.js";
import { drawHead, drawInstruction, drawProgress, fitInstruction } from "./instruction.js";
import { connect, isLost } from "./link.js";
import { drawChannels, drawEvents, drawMargin } from "./record.js";
import { drawSlip, refitSlip } from "./slip.js";

const PARTS = [drawHead, drawInstruction, drawProgress, drawDigits, drawSlip, drawChannels, drawMargin, drawEvents];
const REDRAW_REAL_MS = 100;

let drawn_ms = -Infinity;
let waiting = false;

function draw() {
  document.body.dataset.link = linkWord();
  drawBanners();
  if (bench.snapshot === null) return;
  for (const part of PARTS) part(bench.snapshot);
  drawCharts();
}

function linkWord() {
  if (!isLost()) return "live";
  return isFinished() ? "ended" : "lost";
}

// At most ten times a second, in step with the screen, and never for a page that nobody sees.
function schedule() {
  if (waiting || document.hidden) return;
  waiting = true;
  const pause_ms = Math.max(0, REDRAW_REAL_MS - (performance.now() - drawn_ms));
  setTimeout(() => requestAnimationFrame(drawDue), pause_ms);
}

function drawDue() {
  waiting = false;
  drawn_ms = performance.now();
  draw();
}

addEventListener("error", ({ error, message }) => confess(error ?? message));
addEventListener("unhandledrejection", ({ reason }) => confess(reason));
addEventListener("resize", fitInstruction);
addEventListener("resize", refitSlip);
document.addEventListener("visibilitychange", schedule);
connect({ changed: schedule });
