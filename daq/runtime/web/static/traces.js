// The past of one channel: a live one thinned while it arrives, so that no chart grows without bound, or a stored one.

export const TRACE_S = 600;
export const ROUNDING_S = 0.001; // Readings tell their time to the millisecond, all else in full.
const BUCKET_S = 1.5; // 400 buckets of at most three points: no chart ever holds more than 1200.

// A bucket keeps its least and its greatest point and a gap, so that nothing that stood out is lost.
export class Trace {
  #buckets = [];
  #last_s = -Infinity;
  #points = null; // as last asked for; void with the next reading

  constructor(gap_s) {
    this.gap_s = gap_s;
  }

  append(t, v) {
    if (t <= this.#last_s) return;
    const bucket = this.#bucketAt(t);
    if (v === null) bucket.gap = t;
    else this.#take(bucket, t, v);
    this.#last_s = t;
    this.#points = null;
  }

  // A typed reading that was taken back.
  drop(at_s) {
    const isIt = (point) => point !== null && Math.abs(point.t - at_s) <= ROUNDING_S;
    const bucket = this.#buckets.find(({ low, high }) => isIt(low) || isIt(high));
    if (bucket === undefined) return;
    const others = [bucket.low, bucket.high].filter((point) => !isIt(point));
    Object.assign(bucket, { low: others[0] ?? null, high: others.at(-1) ?? null });
    this.#points = null;
  }

  // Two lists, times and values; a value of null parts the line.
  points() {
    if (this.#points === null) {
      const points = this.#buckets.flatMap(pointsOf);
      this.#points = [points.map(({ t }) => t), points.map(({ v }) => v)];
    }
    return this.#points;
  }

  #take(bucket, t, v) {
    // A meter that stopped talking leaves no nulls behind: the line must not bridge the silence.
    if (t - this.#last_s > this.gap_s) bucket.gap = t - this.gap_s / 1e3;
    if (bucket.low === null || v < bucket.low.v) bucket.low = { t, v };
    if (bucket.high === null || v >= bucket.high.v) bucket.high = { t, v };
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
}

function pointsOf({ low, high, gap }) {
  const points = [low, high?.t === low?.t ? null : high, gap === null ? null : { t: gap, v: null }];
  return points.filter(Boolean).sort((a, b) => a.t - b.t);
}

// What the store gives is thinned already and never grows.
export class StoredTrace {
  #points;

  constructor({ t, v }) {
    this.#points = [t, v];
  }

  points() {
    return this.#points;
  }
}
