// How the required channels of the trial in hand have come to settle: the points that the funnels are drawn from.
//
// A point is the running mean at the end of a bin and the bound of the drift that is still possible around it. A trial
// of hours is thinned evenly: the funnel's shape is what counts. Knows nothing of the document.

const MOST_POINTS = 600;

const funnels = new Map(); // channel name -> { tolerance, t, mean, bound, version }
let version = 0; // never the same for two states of any funnel

export const funnelOf = ({ name }) => funnels.get(name) ?? null;

export function forgetFunnels() {
  funnels.clear();
}

export function replaceFunnels(told, pointsSince = []) {
  funnels.clear();
  for (const [name, { tolerance, t, mean, bound }] of Object.entries(told)) {
    funnels.set(name, thinned({ tolerance, t: [...t], mean: [...mean], bound: [...bound], version: ++version }));
  }
  for (const point of pointsSince) takeFunnelPoint(point);
}

export function takeFunnelPoint({ channel, tolerance, at_s, mean, bound }) {
  if (!funnels.has(channel)) funnels.set(channel, { t: [], mean: [], bound: [] });
  const funnel = funnels.get(channel);
  if (at_s <= (funnel.t.at(-1) ?? -Infinity)) return;
  funnel.t.push(at_s);
  funnel.mean.push(mean);
  funnel.bound.push(bound);
  Object.assign(funnel, { tolerance, version: ++version });
  thinned(funnel);
}

function thinned(funnel) {
  while (funnel.t.length > MOST_POINTS) {
    const last = funnel.t.length - 1;
    for (const key of ["t", "mean", "bound"]) funnel[key] = funnel[key].filter((_, i) => (last - i) % 2 === 0);
  }
  return funnel;
}
