import type { FloatValues } from '../formats/float-array.js';
import type { Method } from '../site/site-folder.js';
import { derivativeFault, savitzkyGolay } from './savitzky-golay.js';

/**
 * The score that a registered method gives a spectrum: both curves cut to the method's range, interpolated
 * linearly to its even grid, differentiated by Savitzky–Golay where the method says so (ends fitted), then
 * the square of Pearson's correlation with its sign kept: a negative correlation scores 0.
 */
export type SpectralScore =
  | { readonly kind: 'scored'; readonly score: number }
  /** A fact, not a fault: a constant curve correlates with nothing, a short axis covers no range. */
  | { readonly kind: 'no-score'; readonly reason: string };

type Treated =
  | { readonly ok: true; readonly centred: Float64Array; readonly norm: number }
  | { readonly ok: false; readonly reason: string };

interface Grid {
  readonly from: number;
  readonly step: number;
  readonly count: number;
}

const GRID_POINTS_MAX = 100_000;

/** Deviation from the mean, beside the largest value, below which a curve counts as constant. */
const CONSTANT_WITHIN = 1e-14;

const references = new WeakMap<Method, Treated>();

/** Scores a spectrum. Its axis must be strictly ascending and all values finite. */
export function spectralScore(
  method: Method,
  axis: FloatValues,
  intensity: FloatValues,
): SpectralScore {
  const reference = references.get(method) ?? treatReference(method);
  references.set(method, reference);
  if (!reference.ok) return { kind: 'no-score', reason: reference.reason };
  const sample = treat(method, axis, intensity, 'the spectrum');
  if (!sample.ok) return { kind: 'no-score', reason: sample.reason };
  return { kind: 'scored', score: signedSquare(sample, reference) };
}

/** Square of Pearson's r with r < 0 → 0, in two passes; null when one of the curves is constant. */
export function squaredCorrelation(a: Float64Array, b: Float64Array): number | null {
  if (a.length !== b.length) throw new RangeError(`${a.length} values against ${b.length}`);
  const left = centre(a, largest(a));
  const right = centre(b, largest(b));
  return left === null || right === null ? null : signedSquare(left, right);
}

function signedSquare(
  a: { readonly centred: Float64Array; readonly norm: number },
  b: { readonly centred: Float64Array; readonly norm: number },
): number {
  const { centred: x } = a;
  const { centred: y } = b;
  let sum = 0;
  for (let i = 0; i < x.length; i++) sum += (x[i] as number) * (y[i] as number);
  const r = sum / (a.norm * b.norm);
  return r <= 0 ? 0 : Math.min(1, r * r);
}

function treatReference(method: Method): Treated {
  if (method.reference === null) {
    return { ok: false, reason: 'the registry holds no reference spectrum for the method' };
  }
  return treat(method, method.reference.axis, method.reference.intensity, 'the reference');
}

function treat(method: Method, axis: FloatValues, intensity: FloatValues, what: string): Treated {
  const grid = gridOf(method);
  if (grid === null) return { ok: false, reason: 'the range and grid of the method hold no grid' };
  const last = grid.from + (grid.count - 1) * grid.step;
  if (!((axis[0] as number) <= grid.from && (axis[axis.length - 1] as number) >= last)) {
    return { ok: false, reason: `${what} does not cover the range of the method` };
  }
  const even = interpolate(axis, intensity, grid);
  const scale = largest(even);
  const { derivative } = method;
  if (derivative !== null) {
    const fault = derivativeFault(derivative);
    if (fault !== null) return { ok: false, reason: `derivative: ${fault}` };
    if (even.length < derivative.points) {
      return { ok: false, reason: 'the grid of the method is shorter than its derivative window' };
    }
  }
  const treated = derivative === null ? even : savitzkyGolay(even, derivative, grid.step);
  const centred = centre(treated, scale);
  return centred === null
    ? { ok: false, reason: `${what} is constant over the range of the method` }
    : { ok: true, ...centred };
}

function gridOf(method: Method): Grid | null {
  const from = Number(method.range.from);
  const step = Number(method.gridStep);
  // Decimals such as 0.1 are no doubles; the hair keeps the last grid point where the division is exact.
  const count = Math.floor((Number(method.range.to) - from) / step + 1e-9) + 1;
  return step > 0 && count >= 2 && count <= GRID_POINTS_MAX ? { from, step, count } : null;
}

function interpolate(axis: FloatValues, values: FloatValues, grid: Grid): Float64Array {
  const out = new Float64Array(grid.count);
  let right = 1;
  for (let i = 0; i < grid.count; i++) {
    const x = grid.from + i * grid.step;
    while (right < axis.length - 1 && (axis[right] as number) < x) right++;
    const x0 = axis[right - 1] as number;
    const y0 = values[right - 1] as number;
    const share = (x - x0) / ((axis[right] as number) - x0);
    out[i] = y0 + share * ((values[right] as number) - y0);
  }
  return out;
}

function centre(
  values: Float64Array,
  scale: number,
): { readonly centred: Float64Array; readonly norm: number } | null {
  let sum = 0;
  for (let i = 0; i < values.length; i++) sum += values[i] as number;
  const mean = sum / values.length;
  const centred = new Float64Array(values.length);
  let squares = 0;
  for (let i = 0; i < values.length; i++) {
    const deviation = (values[i] as number) - mean;
    centred[i] = deviation;
    squares += deviation * deviation;
  }
  const norm = Math.sqrt(squares);
  if (!Number.isFinite(norm)) return null;
  return norm > CONSTANT_WITHIN * scale * Math.sqrt(values.length) ? { centred, norm } : null;
}

function largest(values: Float64Array): number {
  let max = 0;
  for (let i = 0; i < values.length; i++) max = Math.max(max, Math.abs(values[i] as number));
  return max;
}
