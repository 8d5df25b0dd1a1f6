import { createHash } from 'node:crypto';
import type { SpectrumSummary, SpectrumValues } from '../checks/spectrum-values.js';
import type { Sha256 } from '../formats/canonical-json.js';
import { littleEndianBytes } from '../formats/float-array.js';

/** The digest of values as `SpectrumSummary.sha256` has it. */
function digestOfValues(axis: Float64Array, intensity: ArrayLike<number>): Sha256 {
  const hash = createHash('sha256').update(littleEndianBytes(axis));
  return hash.update(littleEndianBytes(Float64Array.from(intensity))).digest('hex') as Sha256;
}

export type RecordValues =
  | { readonly ok: true; readonly values: SpectrumValues }
  | { readonly ok: false; readonly message: string };

/**
 * Numbers out of a file as the values of a record, at the widths that the record says: only when they have its
 * digest, and an axis that was declared as start and step comes out of them bit for bit.
 */
export function valuesOfRecord(
  summary: SpectrumSummary,
  axis: Float64Array,
  intensity: ArrayLike<number>,
  even: SpectrumValues['even'],
): RecordValues {
  const refuse = (message: string): RecordValues => ({ ok: false, message });
  if (axis.length !== summary.points || intensity.length !== summary.points) {
    return refuse(`expected ${summary.points} points as the record says, found ${axis.length}`);
  }
  const found = digestOfValues(axis, intensity);
  if (found !== summary.sha256) {
    return refuse(`expected values with SHA-256 ${summary.sha256}, found ${found}`);
  }
  if ((summary.axisWidth === 'even') !== (even !== null)) {
    const expected = summary.axisWidth === 'even' ? 'start and step' : 'no start and step';
    return refuse(`expected ${expected} of the axis, as the record says`);
  }
  if (even !== null) {
    const start = Number(even.start);
    const step = Number(even.step);
    const other = axis.findIndex((shift, i) => shift !== start + i * step);
    if (other !== -1) {
      return refuse(
        `expected ${start + other * step} at point ${other} of the axis, found ${axis[other]}`,
      );
    }
  }
  return {
    ok: true,
    values: {
      axis: summary.axisWidth === 'float32' ? Float32Array.from(axis) : axis,
      intensity:
        summary.intensityWidth === 'float32'
          ? Float32Array.from(intensity)
          : Float64Array.from(intensity),
      even,
      intensityUnit: summary.intensityUnit,
    },
  };
}
