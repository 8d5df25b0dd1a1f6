import { JCAMP_LIMITS } from '../formats/jcamp.js';
import { readOpenJcamp } from '../formats/jcamp-spectra.js';
import { ascendingSpectrum } from '../formats/open-spectrum.js';
import { readSpectrumTable, type SpectrumTable } from '../formats/spectrum-table.js';
import type { SpectrumFile } from '../intake/result-bundle.js';
import { readingOf, type SpectrumFault, type SpectrumReading } from './read-spectrum.js';

/** More than any header needs, and more than a point takes in any of the forms (own reckoning). */
const HEADER_BYTES_MAX = 1_048_576;
const POINT_BYTES_MAX = 128;
/** A file of a bundle holds one spectrum; a few blocks around it may say where it comes from. */
const BLOCKS_MAX = 16;

/** Bytes that a file of so many points may have at most. */
export function fileBytesMax(points: number): number {
  return HEADER_BYTES_MAX + points * POINT_BYTES_MAX;
}

/**
 * Decodes the bytes of a spectrum file by the format the bundle names, up to the number of points it declares.
 * Faulty, with file and line, when they are not of that format, hold no or several Raman spectra, or another
 * number of points. The unit of the intensity is the bundle's word.
 */
export function decodeSpectrumFile(bytes: Uint8Array, of: SpectrumFile): SpectrumReading {
  const read = of.format === 'csv' ? readTable(bytes, of.points) : readBlocks(bytes, of.points);
  if (!read.ok) return { kind: 'faulty', fault: fileFault(of, read.message) };
  const { axis, intensity } = read.table;
  if (axis.length !== of.points) {
    const found = `expected ${of.points} points as the bundle declares, found ${axis.length}`;
    return { kind: 'faulty', fault: fileFault(of, found) };
  }
  return readingOf({ axis, intensity, even: null, intensityUnit: of.intensityUnit });
}

/** A fault inside a file, in front of which its name stands. */
export function fileFault(of: SpectrumFile, message: string): SpectrumFault {
  return { rule: 'spectrum-file', pointer: '/file', message: `${of.file}: ${message}` };
}

type Decoded =
  | { readonly ok: true; readonly table: SpectrumTable }
  | { readonly ok: false; readonly message: string };

function readTable(bytes: Uint8Array, pointsMax: number): Decoded {
  let text: string;
  try {
    text = new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch {
    // A TypeError is how the decoder says that the bytes are not UTF-8.
    return { ok: false, message: 'expected a text in UTF-8' };
  }
  const read = readSpectrumTable(text, pointsMax);
  if (read.ok) return read;
  const { line, column, message } = read.fault;
  const place = column === 0 ? `line ${line}` : `line ${line}, column ${column}`;
  return { ok: false, message: `${place}: ${message}` };
}

function readBlocks(bytes: Uint8Array, pointsMax: number): Decoded {
  const read = readOpenJcamp(bytes, {
    isCounted: true,
    limits: { ...JCAMP_LIMITS, pointsMax, blocksMax: BLOCKS_MAX },
  });
  if (!read.ok) return { ok: false, message: `${read.fault.at}: ${read.fault.message}` };
  const [first, ...more] = read.spectra;
  if (first === undefined || more.length > 0) {
    return { ok: false, message: `expected one Raman spectrum, found ${read.spectra.length}` };
  }
  const { axis, intensity } = ascendingSpectrum(first);
  return { ok: true, table: { axis, intensity: Float64Array.from(intensity) } };
}
