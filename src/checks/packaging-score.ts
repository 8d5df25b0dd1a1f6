import type { FloatValues } from '../formats/float-array.js';
import type { PackagingSignal, Region } from '../site/signal-limits.js';
import { pearson } from './correlation.js';
import { coversStretch } from './even-grid.js';

/** Spacing of the grid on which a trace and that of the packaging are compared, cm-1. */
const GRID_STEP = 2;
const GRID_POINTS_MAX = 5000;

const references = new WeakMap<PackagingSignal, Float64Array | null>();

/**
 * How much a trace looks like that of a packaging: both interpolated linearly to a grid of 2 cm-1 over the packaging's
 * range, first differences of neighbours (a slow background is gone from them), then the square of Pearson's
 * correlation, 0 where it is negative. null without a reference, or where a curve does not cover the range.
 */
export function packagingScore(
  packaging: PackagingSignal,
  axis: FloatValues,
  intensity: FloatValues,
): number | null {
  if (packaging.reference === null) return null;
  const { spectrum, range } = packaging.reference;
  const known = references.get(packaging);
  const reference = known === undefined ? slopes(spectrum.axis, spectrum.intensity, range) : known;
  references.set(packaging, reference);
  const sample = reference === null ? null : slopes(axis, intensity, range);
  if (reference === null || sample === null) return null;
  const r = pearson(sample, reference);
  return r === null ? null : r <= 0 ? 0 : r * r;
}

function slopes(axis: FloatValues, values: FloatValues, range: Region): Float64Array | null {
  const from = Number(range.from);
  const count = Math.floor((Number(range.to) - from) / GRID_STEP) + 1;
  const last = axis.length - 1;
  const end = from + (count - 1) * GRID_STEP;
  if (count < 3 || count > GRID_POINTS_MAX) return null;
  if (!coversStretch(axis, from, end)) return null;
  const out = new Float64Array(count - 1);
  let right = 1;
  let before = 0;
  for (let i = 0; i < count; i++) {
    const x = from + i * GRID_STEP;
    while (right < last && (axis[right] as number) < x) right++;
    const x0 = axis[right - 1] as number;
    const y0 = values[right - 1] as number;
    const share = (x - x0) / ((axis[right] as number) - x0);
    const here = y0 + share * ((values[right] as number) - y0);
    if (i > 0) out[i - 1] = here - before;
    before = here;
  }
  return out;
}
