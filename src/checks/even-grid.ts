import { holeIn } from '../formats/axis-hole.js';
import type { FloatValues } from '../formats/float-array.js';

/** The even axis both curves are brought to, cm-1. */
export interface Grid {
  readonly from: number;
  readonly step: number;
  readonly count: number;
}

const GRID_POINTS_MAX = 100_000;
/** Decimals such as 0.1 are no doubles; the hair keeps the last grid point where the division is exact. */
const HAIR = 1e-9;

/** The grid of a method; null when range and step hold none. */
export function gridOf(method: {
  readonly range: { readonly from: string; readonly to: string };
  readonly gridStep: string;
}): Grid | null {
  const from = Number(method.range.from);
  const step = Number(method.gridStep);
  const count = stepsWithin(Number(method.range.to) - from, step) + 1;
  return step > 0 && count >= 2 && count <= GRID_POINTS_MAX ? { from, step, count } : null;
}

/** Whole steps in a distance. */
export function stepsWithin(distance: number, step: number): number {
  return Math.floor(distance / step + HAIR);
}

/** Value i of a grid, cm-1. */
export function gridValue(grid: Grid, i: number): number {
  return grid.from + i * grid.step;
}

/**
 * True when the axis covers the grid, from end to end and without a hole: nothing is ever extrapolated, and what lies in
 * a hole would be invented by interpolation.
 */
export function covers(axis: FloatValues, grid: Grid): boolean {
  return coversStretch(axis, grid.from, gridValue(grid, grid.count - 1));
}

/** The same of a stretch of the axis, both ends in cm-1. */
export function coversStretch(axis: FloatValues, from: number, to: number): boolean {
  const last = axis[axis.length - 1] as number;
  return (axis[0] as number) <= from && last >= to && holeIn(axis, from, to) === null;
}

/** Values on the grid, straight between neighbouring points. The axis ascends strictly and covers the grid. */
export function interpolateLinear(
  axis: FloatValues,
  values: FloatValues,
  grid: Grid,
): Float64Array {
  const out = new Float64Array(grid.count);
  const end = axis.length - 1;
  let right = 1;
  for (let i = 0; i < grid.count; i++) {
    const x = grid.from + i * grid.step;
    while (right < end && (axis[right] as number) < x) right++;
    const x0 = axis[right - 1] as number;
    const y0 = values[right - 1] as number;
    const share = (x - x0) / ((axis[right] as number) - x0);
    out[i] = y0 + share * ((values[right] as number) - y0);
  }
  return out;
}

/**
 * Values on the grid of the natural cubic spline through all points: the twice smooth curve of cubics whose
 * second derivative is 0 at the first and the last point. Same demands on the axis.
 */
export function interpolateSpline(
  axis: FloatValues,
  values: FloatValues,
  grid: Grid,
): Float64Array {
  const bend = secondDerivatives(axis, values);
  const out = new Float64Array(grid.count);
  const end = axis.length - 1;
  let right = 1;
  for (let i = 0; i < grid.count; i++) {
    const x = grid.from + i * grid.step;
    while (right < end && (axis[right] as number) < x) right++;
    const width = (axis[right] as number) - (axis[right - 1] as number);
    const a = ((axis[right] as number) - x) / width;
    const b = 1 - a;
    const cubic =
      (a * a * a - a) * (bend[right - 1] as number) + (b * b * b - b) * (bend[right] as number);
    out[i] =
      a * (values[right - 1] as number) +
      b * (values[right] as number) +
      (cubic * width * width) / 6;
  }
  return out;
}

/** Second derivatives of the natural spline at its points: a tridiagonal system, solved from both ends. */
function secondDerivatives(axis: FloatValues, values: FloatValues): Float64Array {
  const n = axis.length;
  const bend = new Float64Array(n);
  const upper = new Float64Array(n);
  for (let i = 1; i < n - 1; i++) {
    const before = (axis[i] as number) - (axis[i - 1] as number);
    const after = (axis[i + 1] as number) - (axis[i] as number);
    const slopeBefore = ((values[i] as number) - (values[i - 1] as number)) / before;
    const slopeAfter = ((values[i + 1] as number) - (values[i] as number)) / after;
    const share = before / (before + after);
    const pivot = 2 + share * (upper[i - 1] as number);
    upper[i] = (share - 1) / pivot;
    const right = (6 * (slopeAfter - slopeBefore)) / (before + after);
    bend[i] = (right - share * (bend[i - 1] as number)) / pivot;
  }
  bend[n - 1] = 0;
  for (let i = n - 2; i > 0; i--) {
    bend[i] = (bend[i] as number) + (upper[i] as number) * (bend[i + 1] as number);
  }
  return bend;
}
