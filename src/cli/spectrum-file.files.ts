import { readFileSync, statSync } from 'node:fs';
import { readOpenJcamp } from '../formats/jcamp-spectra.js';
import {
  ascendingSpectrum,
  type OpenFault,
  type OpenRead,
  type OpenSpectrum,
} from '../formats/open-spectrum.js';
import { readSpectrumTable } from '../formats/spectrum-table.js';
import { readOpenAniml } from '../records/animl-document.js';
import { detectFormat, utf8 } from '../records/open-file.js';
import { unreadableFile } from './file-fault.js';
import type { FileSpectrum, SpectrumAnswer, SpectrumTask } from './spectrum-task.js';

const BYTES_MAX = 33_554_432;
const TITLES_SHOWN = 5;

/** Reads the one spectrum of a file: a two-column text, JCAMP-DX or AnIML, by its content. */
export function readSpectrumFile({ file, pointsMax }: SpectrumTask): SpectrumAnswer {
  let bytes: Buffer;
  try {
    const { size } = statSync(file);
    if (size > BYTES_MAX) return fault(`expected at most ${BYTES_MAX} bytes, found ${size}`);
    bytes = readFileSync(file);
  } catch (error) {
    return { ok: false, kind: 'unreadable', message: unreadableFile(file, error) };
  }
  const { format, found } = detectFormat(bytes);
  if (format === 'animl') return onlyOne(readOpenAniml(bytes), { format, bytes }, pointsMax);
  if (format === 'jcamp') {
    return onlyOne(readOpenJcamp(bytes), { format: 'jcamp-dx', bytes }, pointsMax);
  }
  if (format === 'e1947' || format === 'bundle') {
    return fault(`found ${found}, expected a two-column text, JCAMP-DX or AnIML; convert it first`);
  }
  const text = utf8(bytes);
  if (text === null) return { ok: false, kind: 'unreadable', message: `${file}: not UTF-8` };
  const read = readSpectrumTable(text, pointsMax);
  if (!read.ok) {
    const { line, column, message } = read.fault;
    return { ok: false, kind: 'fault', line, column: column === 0 ? '' : String(column), message };
  }
  return {
    ok: true,
    spectrum: { ...read.table, intensityUnit: 'arbitrary', format: 'csv', bytes },
  };
}

type SourceFile = Pick<FileSpectrum, 'format' | 'bytes'>;

function onlyOne(read: OpenRead, source: SourceFile, pointsMax: number): SpectrumAnswer {
  if (!read.ok) return faultAt(read.fault);
  const [spectrum, ...others] = read.spectra;
  if (spectrum === undefined || others.length > 0) {
    const titles = read.spectra.map(({ title }) => JSON.stringify(title.slice(0, 60)));
    const shown = titles.slice(0, TITLES_SHOWN).join(', ');
    const rest = titles.length > TITLES_SHOWN ? ' and others' : '';
    return fault(`expected one spectrum, found ${read.spectra.length}: ${shown}${rest}`);
  }
  if (spectrum.axis.length > pointsMax) {
    return fault(`expected at most ${pointsMax} points, found ${spectrum.axis.length}`);
  }
  return { ok: true, spectrum: { ...packed(ascendingSpectrum(spectrum)), ...source } };
}

const UNITS: ReadonlyMap<string, FileSpectrum['intensityUnit']> = new Map([
  ['counts', 'counts'],
  ['countspersecond', 'counts-per-second'],
  ['counts/s', 'counts-per-second'],
]);

function packed({
  axis,
  intensity,
  intensityUnit,
}: OpenSpectrum): Omit<FileSpectrum, keyof SourceFile> {
  const unit = UNITS.get(intensityUnit.toLowerCase().replace(/[\s-]/g, ''));
  return { axis, intensity, intensityUnit: unit ?? 'arbitrary' };
}

/** `line 3, column 2` as numbers; any other place stays in the message. */
function faultAt({ at, message }: OpenFault): SpectrumAnswer {
  const [, line, column = ''] = /^line (\d+)(?:, column (\d+))?$/.exec(at) ?? [];
  if (line !== undefined) return { ok: false, kind: 'fault', line: Number(line), column, message };
  return fault(at === '' ? message : `${at}: ${message}`);
}

function fault(message: string): SpectrumAnswer {
  return { ok: false, kind: 'fault', line: 0, column: '', message };
}
