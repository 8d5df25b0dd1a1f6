import { textAttribute } from '../formats/netcdf.js';
import { writeNetcdf } from '../formats/netcdf-writer.js';
import type { OpenSpectrum } from '../formats/open-spectrum.js';
import { E1947_NOTE } from './e1947-writer.js';

/** No name of the standard and none of a record's begins like that. */
const NOTE_PREFIX = 'note_';
const NAME_BYTES_MAX = 200;

/**
 * A spectrum alone as netCDF classic in the manner of ASTM E1947: the names of `writeE1947` for axis and
 * ordinates, and none for what is not known of it. Ordinates are float32, as the standard has them;
 * `ordinate_values:as_reported` says whether that rounded them. The same input gives the same bytes.
 */
export function writeOpenE1947(spectrum: OpenSpectrum): Uint8Array {
  const { title, axis, intensity, intensityUnit, notes } = spectrum;
  const texts: readonly (readonly [string, string])[] = [
    ['netcdf_revision', 'classic format'],
    ['conformance_note', E1947_NOTE],
    ['text_encoding', 'UTF-8'],
    ['experiment_title', title],
    ['experiment_technique', 'raman'],
    ['detector_unit', intensityUnit],
  ];
  const taken = new Map<string, string>();
  for (const { name, text } of notes) {
    const before = taken.get(nameOf(name));
    taken.set(nameOf(name), before === undefined ? text : `${before}\n${text}`);
  }
  return writeNetcdf({
    dimensions: [{ name: 'point_number', length: axis.length }],
    attributes: [...texts, ...taken].map(([name, text]) => textAttribute(name, text)),
    variables: [
      {
        name: 'raman_shift_values',
        dimensions: ['point_number'],
        attributes: [textAttribute('units', 'cm-1')],
        type: 'double',
        values: axis,
      },
      {
        name: 'ordinate_values',
        dimensions: ['point_number'],
        attributes: [
          textAttribute(
            'as_reported',
            isFloat32Exact(intensity) ? 'float32, exact' : 'float64, rounded to float32',
          ),
        ],
        type: 'float',
        values: Float32Array.from(intensity),
      },
    ],
  });
}

/** True when rounding to float32 changes none of them. */
export function isFloat32Exact(values: Float64Array | Float32Array): boolean {
  return (
    values instanceof Float32Array || values.every((value) => Object.is(Math.fround(value), value))
  );
}

/** A netCDF name: no slash, no control, in NFC, short. */
function nameOf(name: string): string {
  const plain = name
    .normalize('NFC')
    .replace(/[/\p{Cc}\p{Cs}]+/gu, ' ')
    .trim();
  const bare = plain.startsWith(NOTE_PREFIX) ? plain.slice(NOTE_PREFIX.length) : plain;
  let cut = bare.trim();
  while (Buffer.byteLength(cut) > NAME_BYTES_MAX) cut = cut.slice(0, -1);
  return `${NOTE_PREFIX}${cut}`.replace(/[\p{Cs}\s]+$/u, '').normalize('NFC');
}
