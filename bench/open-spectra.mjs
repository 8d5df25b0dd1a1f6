// The measured open spectra (SPECTRA_DIR, by default ../shared/data/raman/spectra), in pairs.
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import { readSpectrumTable } from '../dist/formats/spectrum-table.js';

const ROOT = fileURLToPath(new URL('..', import.meta.url));
const POINTS_MAX = 20_000;
/** Files that were measured on one instrument with the same settings; every other pair is of two. */
const SAME_INSTRUMENT = [/^paracetamol__S6_30_/, /^calcite__S4_785_z/, /^polystyrene__S4_785_z/];
/** Axes that are wrong by 3 to 7 cm-1 as published, and polymers aged in water: see the README of the data. */
const AXIS_OFF = /__S7_|_785_op2/;
const AGED = /_[fs]w\d/;

/** The folder, or null when it is not there. */
export function spectraFolder() {
  const shared = process.env.SHARED_DIR ?? join(ROOT, '..', 'shared');
  const folder = resolve(process.env.SPECTRA_DIR ?? join(shared, 'data', 'raman', 'spectra'));
  return existsSync(folder) ? folder : null;
}

/** Every file but mixtures: name, substance, axis and intensity. */
export function loadSpectra(folder) {
  const files = readdirSync(folder).filter((file) => !file.startsWith('mixture-'));
  return files.sort().map((file) => {
    const read = readSpectrumTable(readFileSync(join(folder, file), 'utf8'), POINTS_MAX);
    if (!read.ok) throw new Error(`${file}: ${read.fault.message}`);
    const substance = file.split('__')[0].replace(/-hd$/, '');
    return { file, substance, isAged: AGED.test(file), ...read.table };
  });
}

export const KINDS = [
  'same substance, same instrument',
  'same substance, other instrument, axes right',
  'same substance, one axis off by 3 to 7 cm-1',
  'same polymer, one of them aged in water',
  'different substances',
  'different substances, one of them aged',
];

/** Every two spectra once, by what they have in common. */
export function pairsOf(spectra) {
  return spectra.flatMap((one, index) =>
    spectra.slice(index + 1).map((other) => ({ one, other, kind: KINDS[kindOf(one, other)] })),
  );
}

function kindOf(one, other) {
  const isAged = one.isAged || other.isAged;
  if (one.substance !== other.substance) return isAged ? 5 : 4;
  if (isAged) return 3;
  if (SAME_INSTRUMENT.some((group) => group.test(one.file) && group.test(other.file))) return 0;
  return AXIS_OFF.test(one.file) || AXIS_OFF.test(other.file) ? 2 : 1;
}

/** The method under which one spectrum is the reference: 400 to 1800 cm-1 or the common part of it. */
export function methodFor(reference, measured, declared) {
  const last = Math.min(1800, reference.axis.at(-1), measured.axis.at(-1));
  return {
    id: declared.name,
    version: '1',
    title: declared.name,
    material: reference.substance,
    mode: 'verification',
    algorithm: 'squared-correlation',
    scoreTolerance: '0',
    gridStep: '1',
    approvals: [],
    contentDigest: '',
    range: { from: '400', to: String(Math.floor(last)) },
    reference: { axis: reference.axis, intensity: reference.intensity, sha256: reference.file },
    ...declared,
  };
}
