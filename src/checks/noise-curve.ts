import type { FloatValues } from '../formats/float-array.js';
import { pearson } from './correlation.js';

/**
 * The noise of a region with its shifts, so that it can be compared with a copy whose points are others: every second one,
 * values read off the straight lines between them, or all but one.
 */
export interface NoiseCurve {
  /** Strictly ascending. */
  readonly axis: Float64Array;
  /** Less a straight line, in steps of 1/32767 of the largest. */
  readonly values: Float64Array;
  /** `bends` of the values. */
  readonly bends: Float64Array;
}

/** Points of a curve that are kept: more would say the same at greater cost. */
const CURVE_POINTS_MAX = 256;
const STEPS = 32_767;
const SPANS = 65_535;
/** First and last shift. */
const HEAD_BYTES = 16;
/** Fewest second differences that a correlation of two curves rests on. */
const BENDS_MIN = 20;
/**
 * How likely two measurements may at most be found alike by chance, each time they are compared. Some 300 comparisons a
 * result leave less than one false pair in a million results.
 */
const CHANCE_MAX = 1e-9;
/** Largest lag of the correlation within a curve that is reckoned with; of a short one a quarter, since few pairs say little. */
const LAGS_MAX = 12;
/** Second differences count up to so many times their robust deviation: one spike that two have in common is no noise. */
const CLIP = 3;

/**
 * The points from `first` to before `end`, at most 256 of them, as `e` or `u` and base64: the shifts of both ends (double),
 * the values less the straight line between them (int16), and where the axis is uneven (`u`) the place of each between both
 * ends (uint16). null where all lie on one line.
 */
export function encodeCurve(
  axis: FloatValues,
  intensity: FloatValues,
  first: number,
  end: number,
): string | null {
  const n = Math.min(end - first, CURVE_POINTS_MAX);
  const [from, to] = [axis[first] as number, axis[first + n - 1] as number];
  const [low, high] = [intensity[first] as number, intensity[first + n - 1] as number];
  const rests = new Float64Array(n);
  let most = 0;
  let isEven = true;
  for (let i = 0; i < n; i++) {
    const share = ((axis[first + i] as number) - from) / (to - from);
    const rest = (intensity[first + i] as number) - low - share * (high - low);
    rests[i] = rest;
    most = Math.max(most, Math.abs(rest));
    isEven &&= Math.abs(share - i / (n - 1)) * SPANS < 1;
  }
  if (!(most > 0 && Number.isFinite(most))) return null;
  const bytes = Buffer.alloc(HEAD_BYTES + n * (isEven ? 2 : 4));
  bytes.writeDoubleLE(from, 0);
  bytes.writeDoubleLE(to, 8);
  for (let i = 0; i < n; i++) {
    bytes.writeInt16LE(Math.round(((rests[i] as number) / most) * STEPS), HEAD_BYTES + 2 * i);
    if (isEven) continue;
    const share = ((axis[first + i] as number) - from) / (to - from);
    bytes.writeUInt16LE(Math.round(share * SPANS), HEAD_BYTES + 2 * (n + i));
  }
  return `${isEven ? 'e' : 'u'}${bytes.toString('base64')}`;
}

/** What `encodeCurve` wrote. */
export function decodeCurve(text: string): NoiseCurve {
  const isEven = text.startsWith('e');
  const bytes = Buffer.from(text.slice(1), 'base64');
  const n = (bytes.length - HEAD_BYTES) / (isEven ? 2 : 4);
  const [from, to] = [bytes.readDoubleLE(0), bytes.readDoubleLE(8)];
  const axis = new Float64Array(n);
  const values = new Float64Array(n);
  for (let i = 0; i < n; i++) {
    values[i] = bytes.readInt16LE(HEAD_BYTES + 2 * i);
    const share = isEven ? i / (n - 1) : bytes.readUInt16LE(HEAD_BYTES + 2 * (n + i)) / SPANS;
    axis[i] = from + share * (to - from);
  }
  return { axis, values, bends: bendsOf(axis, values) };
}

/** True when the points of two curves lie at the same shifts: these are compared point by point. */
export function isSameAxis(a: NoiseCurve, b: NoiseCurve): boolean {
  const n = a.axis.length;
  if (n !== b.axis.length) return false;
  const width = (a.axis[n - 1] as number) - (a.axis[0] as number);
  for (let i = 0; i < n; i++) {
    if (Math.abs((a.axis[i] as number) - (b.axis[i] as number)) * SPANS > 2 * width) return false;
  }
  return true;
}

/**
 * The correlation of the noise of two curves with other points, at or above a limit, else null. One is read at the points
 * of the other, straight between its own, which gives back exactly what a copy holds that left points out or was
 * interpolated linearly; nobody knows which of them is the copy, so both ways.
 *
 * Two honest measurements come to a high correlation where they share few points or their noise is smooth. So it counts
 * only where chance gives one so high less than once in 10⁹ comparisons, see `chanceOf`.
 */
export function curveCorrelation(a: NoiseCurve, b: NoiseCurve, max: number): number | null {
  const [one, other] = [readAt(a, b, max), readAt(b, a, max)];
  if (one === null || other === null) return one ?? other;
  return Math.max(one, other);
}

/** One curve at the points of another. */
function readAt(curve: NoiseCurve, at: NoiseCurve, max: number): number | null {
  const last = curve.axis.length - 1;
  const [from, to] = [curve.axis[0] as number, curve.axis[last] as number];
  // What rounding of the places leaves of an end is no point beyond it.
  const hair = (to - from) / SPANS;
  let first = 0;
  while (first < at.axis.length && (at.axis[first] as number) < from - hair) first++;
  let end = first;
  while (end < at.axis.length && (at.axis[end] as number) <= to + hair) end++;
  if (end - first - 2 < BENDS_MIN || !(roughly(curve, at, first, end) >= max)) return null;
  const axis = at.axis.subarray(first, end);
  const read = new Float64Array(axis.length);
  let right = 1;
  for (const [i, x] of axis.entries()) {
    right = rightOf(curve.axis, x, right);
    read[i] = between(curve, x, right);
  }
  return alike(bendsOf(axis, read), at.bends.subarray(first, end - 2), max);
}

/** The correlation without a series of its own: nearly all pairs end here, and there are hundreds for each result. */
function roughly(curve: NoiseCurve, at: NoiseCurve, first: number, end: number): number {
  let a = 0;
  let b = 0;
  let aa = 0;
  let bb = 0;
  let ab = 0;
  let right = 1;
  let x = at.axis[first] as number;
  right = rightOf(curve.axis, x, right);
  let y = between(curve, x, right);
  let slope = 0;
  for (let i = first + 1; i < end; i++) {
    const here = at.axis[i] as number;
    right = rightOf(curve.axis, here, right);
    const read = between(curve, here, right);
    const next = (read - y) / (here - x);
    if (i > first + 1) {
      const bend = next - slope;
      const other = at.bends[i - 2] as number;
      a += bend;
      b += other;
      aa += bend * bend;
      bb += other * other;
      ab += bend * other;
    }
    x = here;
    y = read;
    slope = next;
  }
  const n = end - first - 2;
  return (ab - (a * b) / n) / Math.sqrt((aa - (a * a) / n) * (bb - (b * b) / n));
}

/** Index of the first point at or behind a shift, from `right` on; the last where there is none. */
function rightOf(axis: Float64Array, x: number, right: number): number {
  let found = right;
  while (found < axis.length - 1 && (axis[found] as number) < x) found++;
  return found;
}

function between({ axis, values }: NoiseCurve, x: number, right: number): number {
  const x0 = axis[right - 1] as number;
  const y0 = values[right - 1] as number;
  const share = (x - x0) / ((axis[right] as number) - x0);
  return y0 + share * ((values[right] as number) - y0);
}

function alike(a: Float64Array, b: Float64Array, max: number): number | null {
  // A few counts that happen to coincide in two flat regions correlate nearly by one.
  if (bending(a) < BENDS_MIN || bending(b) < BENDS_MIN) return null;
  const [one, other] = [clipped(a), clipped(b)];
  const r = pearson(one, other);
  if (r === null || r < max) return null;
  return chanceOf(r, one, other) <= CHANCE_MAX ? r : null;
}

/** Second differences of unevenly spaced points: a straight line is gone from them, whatever the spacing. */
function bendsOf(axis: Float64Array, values: Float64Array): Float64Array {
  const bends = new Float64Array(Math.max(0, axis.length - 2));
  let slope = slopeAfter(axis, values, 0);
  for (let i = 0; i < bends.length; i++) {
    const next = slopeAfter(axis, values, i + 1);
    bends[i] = next - slope;
    slope = next;
  }
  return bends;
}

function slopeAfter(axis: Float64Array, values: Float64Array, i: number): number {
  const rise = (values[i + 1] as number) - (values[i] as number);
  return rise / ((axis[i + 1] as number) - (axis[i] as number));
}

/** How many of them are bends: of one that is `LEAST` of the widest, rounding is all there is. */
function bending(bends: Float64Array): number {
  const least = bends.reduce((most, bend) => Math.max(most, Math.abs(bend)), 0) * LEAST;
  return bends.reduce((count, bend) => (Math.abs(bend) > least ? count + 1 : count), 0);
}

const LEAST = 1e-6;

/** Those that are none aside: between the points of a coarser curve nothing bends. */
function clipped(bends: Float64Array): Float64Array {
  const sizes = bends.map(Math.abs).sort();
  const least = (sizes.at(-1) ?? 0) * LEAST;
  const some = sizes.subarray(sizes.findIndex((size) => size > least));
  const most = CLIP * 1.4826 * (some[some.length >> 1] as number);
  return bends.map((bend) => Math.max(-most, Math.min(most, bend)));
}

/**
 * A bound of the probability that two series that have nothing to do with each other correlate by `r` or more. For
 * normal values and `n` independent pairs the tail of Pearson's r is half the regularised incomplete beta function
 * I(1 - r²; (n - 2)/2, ½), which is at most (1 - r²)^((n - 2)/2). Neighbouring second differences are not independent:
 * the variance of r grows by the sum of the products of both autocorrelations (M. S. Bartlett, J. R. Stat. Soc. Suppl. 8
 * (1946) 27, from memory), by 1.94 for white noise, and `n` counts for so much less.
 */
function chanceOf(r: number, a: Float64Array, b: Float64Array): number {
  let growth = 1;
  for (let lag = 1; lag <= Math.min(LAGS_MAX, a.length >> 2); lag++) {
    const product = (pearsonAt(a, lag) ?? 0) * (pearsonAt(b, lag) ?? 0);
    growth += 2 * product;
  }
  const n = a.length / Math.max(1, growth);
  return n <= 2 ? 1 : (1 - r * r) ** ((n - 2) / 2) / 2;
}

function pearsonAt(series: Float64Array, lag: number): number | null {
  return pearson(series.subarray(lag), series.subarray(0, series.length - lag));
}
