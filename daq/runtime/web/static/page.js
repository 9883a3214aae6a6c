// The live page: shows what the bench says, and says so when it no longer hears from it.
//
// This module decides when to draw; the parts decide what. It knows no rule of the trade; sentences come from the bench.
// Figures are on the screen with the frame after their reading; everything else is drawn less often, and the charts in
// what is left of a frame.

import { mayRead } from "./access.js";
import { drawAsking } from "./asking.js";
import { confess, drawBanners } from "./banners.js";
import { bench, isFinished } from "./bench.js";
import { drawCharts } from "./charts.js";
import { startFar } from "./far.js";
import { drawDigits, drawFigures } from "./figures.js";
import { drawHead, drawInstruction, drawProgress, fitInstruction } from "./instruction.js";
import { connect, isLost } from "./link.js";
import { drawOperating, startOperating } from "./operate.js";
import { isPast, openPast } from "./past.js";
import { drawChannels, drawEvents, drawMargin } from "./record.js";
import { drawSlip, refitSlip } from "./slip.js";
import { attend } from "./sound.js";
import { drawTyped } from "./typed.js";

const PARTS = [drawHead, drawInstruction, drawProgress, drawDigits, drawSlip, drawChannels, drawMargin, drawEvents];
const REDRAW_REAL_MS = 100;
const PAST_TICK_MS = 250;

let drawn_ms = -Infinity;
let waiting = false;
let due = true; // something else than figures has changed

function drawAll() {
  document.body.dataset.link = linkWord();
  drawBanners();
  if (bench.snapshot !== null) for (const part of PARTS) part(bench.snapshot);
  drawAsking(bench.snapshot);
  drawTyped(bench.snapshot);
  drawOperating(bench.snapshot);
}

function linkWord() {
  if (bench.stored) return "stored";
  if (!isLost()) return "live";
  return isFinished() ? "ended" : "lost";
}

// In step with the screen, and never for a page that nobody sees.
function changed(what = "all") {
  if (what !== "figures") due = true;
  attend(); // A signal is heard from a tab that nobody sees, too.
  if (waiting || document.hidden) return;
  waiting = true;
  requestAnimationFrame(draw);
}

// What is still due is drawn with the next frame that comes; the watchdog of the link sees to it that one does.
function draw() {
  waiting = false;
  if (due && performance.now() - drawn_ms >= REDRAW_REAL_MS) {
    due = false;
    drawn_ms = performance.now();
    drawAll();
  } else if (bench.snapshot !== null) {
    drawFigures(bench.snapshot);
  }
  if (bench.snapshot !== null && drawCharts()) changed("figures");
}

async function begin() {
  startFar();
  await startOperating();
  if (isPast()) {
    await openPast();
    setInterval(changed, PAST_TICK_MS); // A chart is drawn once it has come into sight.
  } else if (mayRead()) {
    connect({ changed });
  } else {
    changed();
  }
}

addEventListener("error", ({ error, message }) => confess(error ?? message));
addEventListener("unhandledrejection", ({ reason }) => confess(reason));
addEventListener("resize", fitInstruction);
addEventListener("resize", refitSlip);
document.addEventListener("visibilitychange", () => changed());
begin();
