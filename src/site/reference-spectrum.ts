import { sha256 } from '../formats/canonical-json.js';
import { headerFault } from '../formats/spectrum-header.js';
import type { ReferenceSpectrum } from './site-folder.js';

export type ReferenceRead =
  | { readonly ok: true; readonly reference: ReferenceSpectrum }
  | {
      readonly ok: false;
      readonly line: number;
      readonly message: string;
      readonly remedy: string;
    };

const POINTS_MAX = 20_000;
const NUMBER = /^[+-]?\d{1,15}(?:\.\d{1,12})?$/;

/**
 * Reads a reference spectrum: two columns, Raman shift in cm-1 and intensity, separated by a comma, on a
 * strictly rising axis. Lines that start with `#` are remarks (source, instrument, date); the first other
 * line may be a header, which names these columns. The digest covers the file's bytes, remarks included.
 */
export function readReferenceSpectrum(bytes: Uint8Array, text: string): ReferenceRead {
  return readCurve(bytes, text, true);
}

/** One that was registered: read as it was then, before headers were looked at, since methods rest on its bytes. */
export function readRegisteredReference(bytes: Uint8Array): ReferenceRead {
  return readCurve(bytes, new TextDecoder().decode(bytes), false);
}

/** The line of the point at a shift, from 1; 1 where there is none. */
export function lineOfShift(text: string, shift: number): number {
  const at = text.split(/\r?\n/).findIndex((line) => {
    const [cell = ''] = line.split(',');
    return NUMBER.test(cell.trim()) && Number(cell) === shift;
  });
  return Math.max(0, at) + 1;
}

function readCurve(bytes: Uint8Array, text: string, isNew: boolean): ReferenceRead {
  const axis: number[] = [];
  const intensity: number[] = [];
  let isHeaderAllowed = true;
  for (const [index, line] of text.split(/\r?\n/).entries()) {
    if (line === '' || line.startsWith('#')) continue;
    const fault = (message: string, remedy: string): ReferenceRead => ({
      ok: false,
      line: index + 1,
      message,
      remedy,
    });
    const cells = line.split(',').map((cell) => cell.trim());
    const [shift = '', height = ''] = cells;
    const isPoint = cells.length === 2 && NUMBER.test(shift) && NUMBER.test(height);
    if (!isPoint && !(isHeaderAllowed && cells.length === 2)) {
      return fault(
        `expected shift,intensity as plain decimals, found ${JSON.stringify(line.slice(0, 80))}`,
        'Correct the line.',
      );
    }
    isHeaderAllowed = false;
    if (!isPoint) {
      const header = isNew ? headerFault(cells) : null;
      if (header === null) continue;
      return fault(
        header.message,
        'Head the columns raman_shift_cm1,intensity, or leave the line out.',
      );
    }
    const before = axis.at(-1);
    if (before !== undefined && Number(shift) <= before) {
      return fault(
        `the axis goes from ${before} to ${shift} cm-1`,
        'Sort the points by rising shift.',
      );
    }
    if (axis.length >= POINTS_MAX) {
      return fault(
        `more than ${POINTS_MAX} points`,
        'Thin the curve to the spacing it was measured at.',
      );
    }
    axis.push(Number(shift));
    intensity.push(Number(height));
  }
  if (axis.length < 3) {
    return {
      ok: false,
      line: 1,
      message: `only ${axis.length} points`,
      remedy: 'Store the whole curve.',
    };
  }
  return {
    ok: true,
    reference: {
      axis: Float64Array.from(axis),
      intensity: Float64Array.from(intensity),
      sha256: sha256(bytes),
    },
  };
}
