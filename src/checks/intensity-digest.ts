import { createHash } from 'node:crypto';
import type { Sha256 } from '../formats/canonical-json.js';
import { type FloatValues, littleEndianBytes } from '../formats/float-array.js';
import { secondDifference } from './signal-peaks.js';

/** Fewest points at which a curve bends before its intensities single out one measurement. */
const BENDS_MIN = 20;

/**
 * SHA-256 over the intensities alone, each rounded to float32, little-endian: the same for copies whose axis was moved,
 * stretched or written in another form, and for one written at another width, since rounding twice rounds once. A
 * factor or an offset gives another digest, because what is left of one after rounding depends on where it was done;
 * such copies are found by their noise.
 *
 * null where the intensities say nothing of their own: a straight line, a detector that is saturated or dark but for a
 * few points, and what float32 cannot hold. Two such measurements of two instruments may well be equal.
 */
export function intensityDigest(intensity: FloatValues): Sha256 | null {
  const rounded = new Float32Array(intensity);
  let bends = 0;
  for (let i = 0; i < rounded.length; i++) {
    if (!Number.isFinite(rounded[i])) return null;
    // -0 is the same number in other bytes.
    if (rounded[i] === 0) rounded[i] = 0;
    if (i >= 2 && secondDifference(rounded, i - 1) !== 0) bends += 1;
  }
  if (bends < BENDS_MIN) return null;
  return createHash('sha256').update(littleEndianBytes(rounded)).digest('hex') as Sha256;
}

/** What a copy of a spectrum is known by. */
export interface SpectrumDigests {
  /** `SpectrumSummary.sha256`; null without a spectrum. */
  readonly sha256: string | null;
  /** See `intensityDigest`; null also of results that were stored before there was one. */
  readonly intensitySha256: string | null;
}

/**
 * True when two results have the same spectrum: the same intensities, or the same axis and intensities where one of
 * them has no digest of the intensities alone.
 */
export function isSameSpectrum(a: SpectrumDigests, b: SpectrumDigests): boolean {
  return isSame(a.intensitySha256, b.intensitySha256) || isSame(a.sha256, b.sha256);
}

function isSame(a: string | null, b: string | null): boolean {
  return a !== null && a === b;
}

/** The digest that results of one version of this program share exactly when `isSameSpectrum`; null without a spectrum. */
export function copyDigest({ sha256, intensitySha256 }: SpectrumDigests): string | null {
  return intensitySha256 ?? sha256;
}
