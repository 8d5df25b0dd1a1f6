import type { Sha256 } from '../formats/canonical-json.js';
import type { Decimal } from '../formats/decimal.js';

/** What a spectrum is, without its values; the values stay in the stored bundle. */
export interface SpectrumSummary {
  readonly points: number;
  readonly axisWidth: 'float32' | 'float64' | 'even';
  readonly intensityWidth: 'float32' | 'float64';
  readonly axisFirst: string;
  readonly axisLast: string;
  readonly intensityUnit: string;
  /** SHA-256 over axis values then intensity values, each little-endian float64. */
  readonly sha256: Sha256;
}

/** The values behind a `SpectrumSummary`, decoded at the width declared. */
export interface SpectrumValues {
  readonly axis: Float64Array | Float32Array;
  readonly intensity: Float64Array | Float32Array;
  /** Set when the axis was declared as start and step: written back as such. */
  readonly even: { readonly start: Decimal; readonly step: Decimal } | null;
  readonly intensityUnit: string;
}
