import type { FloatValues } from '../formats/float-array.js';

/** A local maximum that stands out of its surroundings. */
export interface Peak {
  readonly index: number;
  /** cm-1. */
  readonly shift: number;
  /** Height over the higher one of the two lowest points beside it, see `findPeaks`. */
  readonly prominence: number;
  /** Full width at half of its height over the lower one of them, interpolated linearly, in points and in cm-1. */
  readonly widthPoints: number;
  readonly widthCm1: number;
}

/** How far to each side the surroundings of a peak are looked at, in points. */
const REACH = 25;
/** Normal distribution: standard deviation over median absolute deviation (1 / 0.6745). */
const MAD_TO_SD = 1.4826;
/** Standard deviation of y[i-1] - 2 y[i] + y[i+1] for independent noise of standard deviation 1. */
const SECOND_DIFFERENCE_SD = Math.sqrt(6);

/**
 * Standard deviation of the noise of a whole curve, from the median absolute second difference: bands and background
 * bend slowly beside the noise, and the median does not see the few points where they do not. null when there are
 * fewer than 5 points or the differences leave the range of a double.
 */
export function roughNoise(intensity: FloatValues): number | null {
  if (intensity.length < 5) return null;
  const bends = new Float64Array(intensity.length - 2);
  for (let i = 1; i < intensity.length - 1; i++) {
    bends[i - 1] = Math.abs(secondDifference(intensity, i));
  }
  bends.sort();
  const median = bends[bends.length >> 1] as number;
  const noise = (MAD_TO_SD * median) / SECOND_DIFFERENCE_SD;
  return Number.isFinite(noise) ? noise : null;
}

export function secondDifference(values: FloatValues, i: number): number {
  return (values[i - 1] as number) - 2 * (values[i] as number) + (values[i + 1] as number);
}

/**
 * Local maxima with at least a given prominence, ascending. From the point one walks to each side until a higher
 * point, the end of the curve or 25 points; the prominence is what the point stands above the higher one of the two
 * lowest points met. Costs at most 50 steps a point.
 */
export function findPeaks(
  axis: FloatValues,
  intensity: FloatValues,
  prominenceMin: number,
): Peak[] {
  const peaks: Peak[] = [];
  for (let i = 1; i < intensity.length - 1; i++) {
    const top = intensity[i] as number;
    if (!(top > (intensity[i - 1] as number) && top >= (intensity[i + 1] as number))) continue;
    const before = lowestBeside(intensity, i, -1);
    // Most of what noise heaps up ends here, which saves the way to the other side.
    if (!(top - before >= prominenceMin)) continue;
    const behind = lowestBeside(intensity, i, 1);
    const prominence = top - Math.max(before, behind);
    if (!(prominence >= prominenceMin && prominence > 0 && Number.isFinite(prominence))) continue;
    // Over the lower side, so that the tip of a band on the flank of a larger one is not taken for a narrow peak.
    const low = Math.min(before, behind);
    const half = low + (top - low) / 2;
    const left = crossing(intensity, i, -1, half);
    const right = crossing(intensity, i, 1, half);
    peaks.push({
      index: i,
      shift: axis[i] as number,
      prominence,
      widthPoints: right - left,
      widthCm1: shiftAt(axis, right) - shiftAt(axis, left),
    });
  }
  return peaks;
}

function lowestBeside(values: FloatValues, from: number, step: -1 | 1): number {
  const top = values[from] as number;
  let lowest = top;
  for (let away = 1; away <= REACH; away++) {
    const value = values[from + step * away];
    if (value === undefined || value > top) break;
    if (value < lowest) lowest = value;
  }
  return lowest;
}

/** Place at which the curve first falls to a level, as a fractional index. */
function crossing(values: FloatValues, from: number, step: -1 | 1, level: number): number {
  let at = from;
  while (values[at + step] !== undefined && (values[at + step] as number) > level) at += step;
  const inside = values[at] as number;
  const outside = values[at + step];
  if (outside === undefined) return at;
  return at + (step * (inside - level)) / (inside - outside);
}

function shiftAt(axis: FloatValues, place: number): number {
  const left = Math.floor(place);
  const low = axis[left] as number;
  const high = axis[left + 1];
  return high === undefined ? low : low + (place - left) * (high - low);
}

/** Half a point beside the three that a spike is wide at most: widths are interpolated. */
const SPIKE_POINTS_MAX = 3.5;

/**
 * A peak of one to three points, narrower than the spectrometer resolves: no band is. Without a known resolution
 * nothing is called a spike.
 */
export function isSpike(peak: Peak, resolutionCm1: number | null): boolean {
  return (
    resolutionCm1 !== null && peak.widthPoints <= SPIKE_POINTS_MAX && peak.widthCm1 < resolutionCm1
  );
}

/** True when a peak lies within a tolerance of a shift. */
export function hasPeakAt(peaks: readonly Peak[], shift: number, tolerance: number): boolean {
  return peaks.some((peak) => Math.abs(peak.shift - shift) <= tolerance);
}
