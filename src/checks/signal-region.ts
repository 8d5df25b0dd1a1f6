import type { FloatValues } from '../formats/float-array.js';
import type { Region } from '../site/signal-limits.js';
import { coversStretch } from './even-grid.js';
import { encodeCurve } from './noise-curve.js';
import { findPeaks, isSpike, type Peak, secondDifference } from './signal-peaks.js';

/** Points of a curve from `first` to before `end`. */
interface Span {
  readonly first: number;
  readonly end: number;
}

/** Fewest points that a standard deviation or a pattern of noise rests on. */
export const NOISE_POINTS_MIN = 20;
/** What sums of doubles leave of nothing, beside what was summed. */
const ROUNDING = 1e-12;
/** Points of a pattern that are kept: more would say the same at greater cost. */
const PATTERN_POINTS_MAX = 128;
/** Steps to one standard deviation in a pattern that is kept. */
const PATTERN_STEPS = 24;

/** The strongest band in the region of a method, see `bandIn`. */
export interface Band {
  readonly shift: number;
  /** Over the local baseline, in the unit of the intensity. */
  readonly height: number;
  /** What lies below it. */
  readonly background: number;
}

/**
 * The strongest band in a region, whatever the material is: the peak of the largest prominence (`findPeaks`), spikes
 * left out. Its height is that prominence, so that the local baseline is the higher one of the two lowest points
 * within 25 points on either side. Height 0 without any peak; null when the axis does not cover the region.
 *
 * @param known every peak from some prominence on, when they were found already: the strongest is among them
 */
export function bandIn(
  axis: FloatValues,
  intensity: FloatValues,
  region: Region,
  resolutionCm1: number | null,
  known: readonly Peak[] = [],
): Band | null {
  const span = spanOf(axis, region, 1);
  if (span === null) return null;
  const strongestOf = (peaks: readonly Peak[]) => strongestIn(peaks, span, resolutionCm1);
  const strongest = strongestOf(known) ?? strongestOf(findPeaks(axis, intensity, 0));
  if (strongest === null) {
    return {
      shift: axis[span.first] as number,
      height: 0,
      background: intensity[span.first] as number,
    };
  }
  const { index, prominence, shift } = strongest;
  return { shift, height: prominence, background: (intensity[index] as number) - prominence };
}

function strongestIn(peaks: readonly Peak[], { first, end }: Span, resolution: number | null) {
  let strongest: Peak | null = null;
  for (const peak of peaks) {
    if (peak.index < first || peak.index >= end || isSpike(peak, resolution)) continue;
    if (strongest === null || peak.prominence > strongest.prominence) strongest = peak;
  }
  return strongest;
}

/**
 * Standard deviation of a peak-free region after the least-squares straight line was taken away, with n - 2 in the
 * denominator. null when the axis does not cover the region or fewer than 20 points lie in it.
 */
export function noiseIn(axis: FloatValues, intensity: FloatValues, region: Region): number | null {
  const span = spanOf(axis, region, NOISE_POINTS_MIN);
  if (span === null) return null;
  const n = span.end - span.first;
  let meanX = 0;
  let meanY = 0;
  for (let i = span.first; i < span.end; i++) {
    meanX += (axis[i] as number) / n;
    meanY += (intensity[i] as number) / n;
  }
  let xx = 0;
  let xy = 0;
  for (let i = span.first; i < span.end; i++) {
    const x = (axis[i] as number) - meanX;
    xx += x * x;
    xy += x * ((intensity[i] as number) - meanY);
  }
  const slope = xy / xx;
  let squares = 0;
  for (let i = span.first; i < span.end; i++) {
    const rest = (intensity[i] as number) - meanY - slope * ((axis[i] as number) - meanX);
    squares += rest * rest;
  }
  const noise = Math.sqrt(squares / (n - 2));
  if (!Number.isFinite(noise)) return null;
  // What rounding leaves of a straight line is no noise.
  const size = Math.abs(meanY) + Math.abs(slope) * ((axis[span.end - 1] as number) - meanX);
  return noise > ROUNDING * size ? noise : 0;
}

/** The noise of a peak-free region as a pattern that can be compared with another of the same key. */
export interface NoisePattern {
  /** Id and version of the method, whose region it is. */
  readonly method: string;
  /** Patterns of one key are of the same points: of one method, as many, from the same shift on. */
  readonly key: string;
  /** Second differences in steps of 1/24 of their root mean square, base64 of signed bytes. */
  readonly steps: string;
  /** The region with its shifts, see `encodeCurve`: for comparison with one of other points. */
  readonly curve: string;
}

/**
 * Second differences of the region: a straight line and what bends slowly (background, the foot of a band) is gone
 * from them, the noise is not. null when the region is not covered, holds fewer than 20 points or no noise.
 */
export function noisePattern(
  axis: FloatValues,
  intensity: FloatValues,
  region: Region,
  method: string,
): NoisePattern | null {
  const span = spanOf(axis, region, NOISE_POINTS_MIN + 2);
  if (span === null) return null;
  const n = Math.min(span.end - span.first - 2, PATTERN_POINTS_MAX);
  const bends = new Float64Array(n);
  let squares = 0;
  for (let i = 0; i < n; i++) {
    bends[i] = secondDifference(intensity, span.first + 1 + i);
    squares += (bends[i] as number) ** 2;
  }
  const scale = Math.sqrt(squares / n);
  if (!(scale > 0 && Number.isFinite(scale))) return null;
  const curve = encodeCurve(axis, intensity, span.first, span.end);
  if (curve === null) return null;
  const steps = new Int8Array(n);
  for (let i = 0; i < n; i++) {
    const step = Math.round(((bends[i] as number) / scale) * PATTERN_STEPS);
    steps[i] = Math.max(-127, Math.min(127, step));
  }
  return {
    method,
    key: `${method} ${n} ${(axis[span.first] as number).toPrecision(8)}`,
    steps: Buffer.from(steps.buffer).toString('base64'),
    curve,
  };
}

export function patternSteps(steps: string): Int8Array {
  const bytes = Buffer.from(steps, 'base64');
  return new Int8Array(bytes.buffer, bytes.byteOffset, bytes.byteLength);
}

/** null when the axis does not reach over the whole region or has a hole in it, or too few points lie in it. */
function spanOf(axis: FloatValues, region: Region, pointsMin: number): Span | null {
  const from = Number(region.from);
  const to = Number(region.to);
  const last = axis.length - 1;
  if (!coversStretch(axis, from, to)) return null;
  let first = 0;
  while ((axis[first] as number) < from) first++;
  let end = first;
  while (end <= last && (axis[end] as number) <= to) end++;
  return end - first >= pointsMin ? { first, end } : null;
}
