import type { Method } from '../site/site-folder.js';
import { findPeaks, type Peak } from './signal-peaks.js';

/** Share of the largest value that a local maximum of a reference must stand out by to count as a band. */
const BAND_SHARE = 0.02;

const known = new WeakMap<Method, readonly Peak[]>();

/** Bands of the material itself, from the registered reference; none where there is no reference. */
export function referencePeaks(method: Method | null): readonly Peak[] {
  if (method === null || method.reference === null) return [];
  const held = known.get(method);
  if (held !== undefined) return held;
  const { axis, intensity } = method.reference;
  const top = intensity.reduce((max, value) => Math.max(max, value), Number.NEGATIVE_INFINITY);
  const peaks = findPeaks(axis, intensity, Math.abs(top) * BAND_SHARE);
  known.set(method, peaks);
  return peaks;
}
