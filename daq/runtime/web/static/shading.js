// What lies behind a chart's line: the run-up hatched, the averaged stretch shaded with its mean and its band.

const HATCH_PX = 8;

export function shade(plot, channel, trial, colour) {
  if (trial === null) return;
  const { ctx } = plot;
  ctx.save();
  if (trial.window_s !== null) shadeWindow(plot, channel, trial.window_s, colour);
  hatch(plot, xOf(plot, trial.started_s), xOf(plot, trial.run_up_end_s ?? plot.scales.x.max), colour);
  ctx.restore();
}

function xOf(plot, t) {
  const { left, width } = plot.bbox;
  return Math.min(left + width, Math.max(left, plot.valToPos(t, "x", true)));
}

function shadeWindow(plot, channel, window_s, colour) {
  const { ctx, bbox } = plot;
  const [from, until] = window_s.map((t) => xOf(plot, t));
  ctx.fillStyle = colour("--shade");
  ctx.fillRect(from, bbox.top, until - from, bbox.height);
  if (channel.mean !== null) shadeMean(plot, from, until, channel, colour);
}

function shadeMean(plot, from, until, { mean, expanded_uncertainty: expanded }, colour) {
  const { ctx } = plot;
  const y = (value) => plot.valToPos(value, "y", true);
  ctx.fillStyle = colour("--rule");
  if (expanded !== null) ctx.fillRect(from, y(mean + expanded), until - from, y(mean - expanded) - y(mean + expanded));
  ctx.fillStyle = colour("--mark");
  ctx.fillRect(from, y(mean) - devicePixelRatio, until - from, 2 * devicePixelRatio);
}

function hatch(plot, from, until, colour) {
  const { ctx } = plot;
  const { top, height } = plot.bbox;
  ctx.beginPath();
  ctx.rect(from, top, until - from, height);
  ctx.clip();
  ctx.beginPath();
  for (let x = from - height; x < until; x += HATCH_PX * devicePixelRatio) {
    ctx.moveTo(x, top + height);
    ctx.lineTo(x + height, top);
  }
  ctx.strokeStyle = colour("--rule");
  ctx.lineWidth = devicePixelRatio;
  ctx.stroke();
}
