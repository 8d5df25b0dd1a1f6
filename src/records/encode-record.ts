import { createHash } from 'node:crypto';
import { type CsvForm, RAW_CSV } from '../formats/csv.js';
import type { OpenSpectrum } from '../formats/open-spectrum.js';
import type { AnimlAttachment } from './animl-attachments.js';
import { writeAniml } from './animl-writer.js';
import { writeCsvRecords } from './csv-record.js';
import { writeE1947 } from './e1947-writer.js';
import { writeJcampRecord, writeOpenJcamp } from './jcamp-record.js';
import { writeOpenAniml } from './open-animl.js';
import { isFloat32Exact, writeOpenE1947 } from './open-e1947.js';
import type { DecodedRecord, OpenFormat } from './open-file.js';
import { isAllFinite, writeSpectrumCsv } from './spectrum-csv.js';

/** Endings of file names. */
export const ENDINGS: Readonly<Record<OpenFormat, string>> = {
  animl: 'animl',
  e1947: 'cdf',
  jcamp: 'jdx',
  csv: 'csv',
};

export const ATTACHED_FORMATS = ['e1947', 'jcamp'] as const;
export type AttachedFormat = (typeof ATTACHED_FORMATS)[number];

const MEDIA_TYPES: Readonly<Record<AttachedFormat, string>> = {
  e1947: 'application/x-netcdf',
  jcamp: 'chemical/x-jcamp-dx',
};

/** Another form of the record that goes beside its AnIML document, which names it by its digest. */
export interface AttachOptions {
  readonly format: AttachedFormat;
  /** Name of the files, without ending. */
  readonly name: string;
}

export interface EncodedFile {
  /** What follows the name: `.animl`, `.spectrum.csv`. */
  readonly ending: string;
  readonly content: string | Uint8Array;
}

export type Encoded =
  | {
      readonly ok: true;
      /** What goes with the record first, the record itself last. */
      readonly files: readonly EncodedFile[];
      /** True when every value of the spectrum is in the files as it was. */
      readonly exact: boolean;
      /** What the format cannot hold, in words. */
      readonly remarks: readonly string[];
    }
  | { readonly ok: false; readonly reason: string };

const ROUNDED = 'intensities were reported as float64 and are rounded to float32 here';
const NOT_CARRIED = 'the spectrum is described and not carried: its values were not there to read';
const NO_SPECTRUM = 'a record without a spectrum has no such form';
const NO_VALUES = 'the values of the spectrum were not there to read';
const NOT_FINITE = 'the spectrum holds values that are no numbers, which the format cannot hold';

/**
 * A record in one of the open formats. Values that are not the record's own (`isExact` false) are written only
 * where the form says that they are rounded; everywhere else the record stands without them, since its digest of
 * them would not hold.
 */
export function encodeRecord(
  decoded: DecodedRecord,
  format: OpenFormat,
  form: CsvForm = RAW_CSV,
  attach: AttachOptions | null = null,
): Encoded {
  const { record, values: read, isExact } = decoded;
  const hasSpectrum = record.spectrum !== null;
  if (format === 'e1947' || format === 'jcamp') {
    if (!hasSpectrum) return { ok: false, reason: NO_SPECTRUM };
    if (read === null) return { ok: false, reason: NO_VALUES };
  }
  if (format === 'e1947' && read !== null) {
    // The record's width decides what the file says of its ordinates, not the width they came in.
    const isWide = record.spectrum?.intensityWidth === 'float64';
    const intensity = isWide ? Float64Array.from(read.intensity) : read.intensity;
    const content = writeE1947(record, { ...read, intensity });
    const exact = isExact && isFloat32Exact(intensity);
    return { ok: true, files: [file(content, format)], exact, remarks: exact ? [] : [ROUNDED] };
  }
  const values = isExact ? read : null;
  if (format === 'jcamp') {
    if (values === null) return { ok: false, reason: `${ROUNDED}; the record tells their digest` };
    if (!isAllFinite(values.axis) || !isAllFinite(values.intensity)) {
      return { ok: false, reason: NOT_FINITE };
    }
    return {
      ok: true,
      files: [file(writeJcampRecord(record, values), format)],
      exact: true,
      remarks: [],
    };
  }
  const exact = !hasSpectrum || values !== null;
  const remarks = exact ? [] : [NOT_CARRIED];
  if (format === 'animl') {
    const beside = attach === null ? null : attached(decoded, attach);
    const attachments = [...(decoded.attachments ?? []), ...(beside?.attachments ?? [])];
    const document = file(writeAniml(record, values, { attachments }), format);
    const files = [...(beside?.files ?? []), document];
    return { ok: true, files, exact, remarks: [...remarks, ...(beside?.remarks ?? [])] };
  }
  const files = [file(writeCsvRecords([record], form), format)];
  if (values === null) return { ok: true, files, exact, remarks };
  if (!isAllFinite(values.axis) || !isAllFinite(values.intensity)) {
    return { ok: true, files, exact: false, remarks: [NOT_FINITE] };
  }
  const spectrum = { ending: '.spectrum.csv', content: writeSpectrumCsv(values, form) };
  return { ok: true, files: [spectrum, ...files], exact, remarks };
}

/** A spectrum alone in one of the open formats. */
export function encodeOpenSpectrum(
  spectrum: OpenSpectrum,
  format: OpenFormat,
  form: CsvForm = RAW_CSV,
): Encoded {
  const { axis, intensity, intensityUnit, notes, title } = spectrum;
  switch (format) {
    case 'animl':
      return {
        ok: true,
        files: [file(writeOpenAniml(spectrum), format)],
        exact: true,
        remarks: [],
      };
    case 'e1947': {
      const exact = isFloat32Exact(intensity);
      const remarks = exact ? [] : [ROUNDED];
      return { ok: true, files: [file(writeOpenE1947(spectrum), format)], exact, remarks };
    }
    case 'jcamp': {
      const isPlain = [title, ...notes.map(({ text }) => text)].every((text) =>
        /^[ -~]*$/.test(text),
      );
      const remarks = isPlain ? [] : ['characters beyond ASCII and line breaks were replaced'];
      return { ok: true, files: [file(writeOpenJcamp([spectrum]), format)], exact: true, remarks };
    }
    case 'csv': {
      const text = writeSpectrumCsv({ axis, intensity, intensityUnit, even: null }, form);
      const left = notes.length + (title === '' ? 0 : 1);
      const remarks = left === 0 ? [] : [`${left} texts beside the spectrum were left out`];
      return { ok: true, files: [file(text, format)], exact: true, remarks };
    }
  }
}

/** The values of a record whose own were not to be had, as a spectrum that speaks for itself. */
export function roundedSpectrum({ record, values }: DecodedRecord): OpenSpectrum | null {
  if (values === null) return null;
  return {
    title: `Spectrum of result ${record.resultId}, rounded to float32`,
    axis: Float64Array.from(values.axis),
    intensity: Float32Array.from(values.intensity),
    intensityUnit: values.intensityUnit,
    notes: [{ name: 'Remark', text: ROUNDED }],
  };
}

interface Attached {
  readonly files: readonly EncodedFile[];
  readonly attachments: readonly AnimlAttachment[];
  readonly remarks: readonly string[];
}

function attached(decoded: DecodedRecord, { format, name }: AttachOptions): Attached {
  const encoded = encodeRecord(decoded, format);
  if (!encoded.ok) {
    return { files: [], attachments: [], remarks: [`nothing attached: ${encoded.reason}`] };
  }
  const attachments = encoded.files.map(({ ending, content }) => ({
    fileName: `${name}${ending}`,
    mediaType: MEDIA_TYPES[format],
    sha256: createHash('sha256').update(content).digest('hex'),
  }));
  const remarks = encoded.remarks.map((remark) => `attachment: ${remark}`);
  const known = (decoded.attachments ?? []).map(({ fileName }) => fileName);
  const added = attachments.filter(({ fileName }) => !known.includes(fileName));
  return { files: encoded.files, attachments: added, remarks };
}

function file(content: string | Uint8Array, format: OpenFormat): EncodedFile {
  return { ending: `.${ENDINGS[format]}`, content };
}
