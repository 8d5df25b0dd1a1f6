import { createHash } from 'node:crypto';
import type { Sha256 } from '../formats/canonical-json.js';
import { addDecimals, type Decimal, multiplyDecimal } from '../formats/decimal.js';
import { decodeFloats, type FloatValues, littleEndianBytes } from '../formats/float-array.js';
import type { EncodedArray, EvenAxis, PlainArray, Spectrum } from '../intake/result-bundle.js';
import { intensityDigest } from './intensity-digest.js';
import type { SpectrumSummary, SpectrumValues } from './spectrum-values.js';

/** The rule of `rules/spectrum-*.ts` that a spectrum breaks, where, and what was found. */
export interface SpectrumFault {
  readonly rule:
    | 'spectrum-points'
    | 'spectrum-encoding'
    | 'spectrum-length'
    | 'spectrum-values'
    | 'spectrum-axis'
    | 'spectrum-file'
    /** A fault of the bundle says why, see `readSpectra`. */
    | 'bundle-file';
  /** Relative to the spectrum. */
  readonly pointer: string;
  readonly message: string;
}

export type SpectrumReading =
  | { readonly kind: 'none' }
  | { readonly kind: 'faulty'; readonly fault: SpectrumFault }
  | {
      readonly kind: 'read';
      readonly values: SpectrumValues;
      readonly summary: SpectrumSummary;
      /** See `intensityDigest`. */
      readonly intensitySha256: Sha256 | null;
    };

/**
 * Decodes a spectrum at its declared width. Faulty, with its first fault, when it holds more points than
 * the site takes, cannot be decoded, holds another number of values than declared, holds a value that is
 * not finite, or an axis that does not ascend strictly.
 */
export function readSpectrum(spectrum: Spectrum | null, pointsMax: number): SpectrumReading {
  if (spectrum === null) return { kind: 'none' };
  const { points } = spectrum;
  const tooMany = pointsFault(points, pointsMax);
  if (tooMany !== null) return { kind: 'faulty', fault: tooMany };
  const axis = readArray(spectrum.axis, points, '/axis');
  if ('rule' in axis) return { kind: 'faulty', fault: axis };
  const intensity = readArray(spectrum.intensity, points, '/intensity');
  if ('rule' in intensity) return { kind: 'faulty', fault: intensity };
  const fault =
    notFinite(axis, '/axis') ?? notFinite(intensity, '/intensity') ?? notAscending(axis);
  if (fault !== null) return { kind: 'faulty', fault };
  const even =
    spectrum.axis.encoding === 'even'
      ? { start: spectrum.axis.start, step: spectrum.axis.step }
      : null;
  return readingOf({ axis, intensity, even, intensityUnit: spectrum.intensityUnit });
}

/** Values that were decoded, with what is said of them. */
export function readingOf(values: SpectrumValues): SpectrumReading {
  return {
    kind: 'read',
    values,
    summary: summarise(values),
    intensitySha256: intensityDigest(values.intensity),
  };
}

/** A number of points that is no spectrum, or past the site's limit. */
export function pointsFault(points: number, pointsMax: number): SpectrumFault | null {
  if (points >= 2 && points <= pointsMax) return null;
  const message = `expected 2 to ${pointsMax} points, found ${points}`;
  return { rule: 'spectrum-points', pointer: '/points', message };
}

/** What a spectrum is, without its values. */
function summarise(values: SpectrumValues): SpectrumSummary {
  const { axis, intensity, even } = values;
  const points = axis.length;
  return {
    points,
    axisWidth: even === null ? widthOf(axis) : 'even',
    intensityWidth: widthOf(intensity),
    axisFirst: even === null ? shortest(axis, 0) : even.start,
    axisLast: even === null ? shortest(axis, points - 1) : evenValue(even, points - 1),
    intensityUnit: values.intensityUnit,
    sha256: createHash('sha256')
      .update(float64Bytes(axis))
      .update(float64Bytes(intensity))
      .digest('hex') as Sha256,
  };
}

function readArray(
  array: EncodedArray | PlainArray | EvenAxis,
  points: number,
  pointer: string,
): FloatValues | SpectrumFault {
  switch (array.encoding) {
    case 'base64': {
      const decoded = decodeFloats(array.data, array.width, points);
      if (decoded.ok) return decoded.values;
      return { rule: 'spectrum-encoding', pointer: `${pointer}/data`, message: decoded.message };
    }
    case 'numbers': {
      const found = array.values.length;
      if (found === points) return Float64Array.from(array.values);
      const message = `expected ${points} values, found ${found}`;
      return { rule: 'spectrum-length', pointer: `${pointer}/values`, message };
    }
    case 'even': {
      const start = Number(array.start);
      const step = Number(array.step);
      return Float64Array.from({ length: points }, (_, i) => start + i * step);
    }
  }
}

function notFinite(values: FloatValues, pointer: string): SpectrumFault | null {
  for (let i = 0; i < values.length; i++) {
    if (Number.isFinite(values[i])) continue;
    const message = `value ${i} is ${values[i]}, expected a finite number`;
    return { rule: 'spectrum-values', pointer, message };
  }
  return null;
}

function notAscending(axis: FloatValues): SpectrumFault | null {
  for (let i = 1; i < axis.length; i++) {
    const before = axis[i - 1] as number;
    const here = axis[i] as number;
    if (here > before) continue;
    const message = `value ${i} is ${here} after ${before}, expected an axis that ascends strictly`;
    return { rule: 'spectrum-axis', pointer: '/axis', message };
  }
  return null;
}

function widthOf(values: FloatValues): 'float32' | 'float64' {
  return values instanceof Float32Array ? 'float32' : 'float64';
}

/** The shortest decimal that reads back as the value at its width. */
function shortest(values: FloatValues, index: number): string {
  const value = values[index] ?? 0;
  if (values instanceof Float64Array) return String(value);
  for (let digits = 1; digits < 9; digits++) {
    const text = value.toPrecision(digits);
    if (Math.fround(Number(text)) === value) return String(Number(text));
  }
  return String(Number(value.toPrecision(9)));
}

function evenValue(
  even: { readonly start: Decimal; readonly step: Decimal },
  index: number,
): string {
  return addDecimals(even.start, multiplyDecimal(even.step, index));
}

function float64Bytes(values: FloatValues): Uint8Array {
  return littleEndianBytes(values instanceof Float64Array ? values : Float64Array.from(values));
}
