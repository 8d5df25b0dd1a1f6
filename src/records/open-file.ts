import type { SpectrumValues } from '../checks/spectrum-values.js';
import type { CsvReadForm } from '../formats/csv.js';
import { readJcamp } from '../formats/jcamp-reader.js';
import { readOpenJcamp } from '../formats/jcamp-spectra.js';
import { type NetcdfAttribute, netcdfText } from '../formats/netcdf.js';
import { readNetcdf } from '../formats/netcdf-reader.js';
import type { OpenFault, OpenRead, OpenSpectrum } from '../formats/open-spectrum.js';
import { parseXmlTree } from '../formats/xml-tree.js';
import type { AnimlAttachment } from './animl-attachments.js';
import { readOpenAniml } from './animl-document.js';
import { animlRoot } from './animl-nodes.js';
import { ANIML_LIMITS, readAniml } from './animl-reader.js';
import { type TechniqueFinding, techniqueFindings } from './animl-technique-check.js';
import { isCsvOfRecords, readCsvRecords } from './csv-record.js';
import { readE1947, readOpenE1947 } from './e1947-reader.js';
import { E1947_PROFILE, RECORD_PREFIX } from './e1947-writer.js';
import { isJcampRecord, readJcampRecord } from './jcamp-record.js';
import { RECORD_SCHEMA, type ResultRecord } from './result-record.js';
import { readOpenCsv } from './spectrum-csv.js';

/** Files a record or a spectrum can be written to and read from. */
export const OPEN_FORMATS = ['animl', 'e1947', 'jcamp', 'csv'] as const;
export type OpenFormat = (typeof OPEN_FORMATS)[number];
export const FILE_FORMATS = ['bundle', ...OPEN_FORMATS] as const;
export type FileFormat = (typeof FILE_FORMATS)[number];

export interface DetectedFormat {
  /** null when the bytes look like nothing that is read here. */
  readonly format: FileFormat | null;
  /** What was found, in words. */
  readonly found: string;
}

/** What a file is by its first bytes; its name says nothing. */
export function detectFormat(bytes: Uint8Array): DetectedFormat {
  const [first, second, third, fourth] = bytes;
  if (first === undefined) return { format: null, found: 'an empty file' };
  if (first === 0x43 && second === 0x44 && third === 0x46 && (fourth ?? 9) < 6) {
    return { format: 'e1947', found: 'netCDF (the bytes CDF in front)' };
  }
  if (first === 0x89 && second === 0x48 && third === 0x44 && fourth === 0x46) {
    return { format: 'e1947', found: 'netCDF-4 (an HDF5 file)' };
  }
  if (first === 0x50 && second === 0x4b) return { format: 'bundle', found: 'a zip archive' };
  if ((first === 0xff && second === 0xfe) || (first === 0xfe && second === 0xff)) {
    return { format: null, found: 'UTF-16 text; save it as UTF-8' };
  }
  const text = Buffer.from(bytes.subarray(0, LOOKED_AT)).toString('latin1');
  const start = text.replace(/^\xef\xbb\xbf/, '').trimStart();
  if (start.startsWith('<')) return { format: 'animl', found: 'XML' };
  if (start.startsWith('{')) return { format: 'bundle', found: 'a JSON object' };
  if (start.startsWith('##') || start.startsWith('$$')) {
    return { format: 'jcamp', found: 'JCAMP-DX (## in front)' };
  }
  // biome-ignore lint/suspicious/noControlCharactersInRegex: these are what no text file has
  if (start === '' || /[\u0000-\u0008\u000e-\u001a\u001c\u007f]/.test(start)) {
    return { format: null, found: 'bytes of no known form' };
  }
  return { format: 'csv', found: 'a text table' };
}

const LOOKED_AT = 1024;

/** One record out of a file of ours. */
export interface DecodedRecord {
  readonly record: ResultRecord;
  /** null when the file describes the spectrum without carrying it, or there is none. */
  readonly values: SpectrumValues | null;
  /** False when the values were rounded in this file: they are not the record's, nor have they its digest. */
  readonly isExact: boolean;
  /** Files that the document names as its own; AnIML only. */
  readonly attachments?: readonly AnimlAttachment[];
}

export type DecodedFile = {
  /** Of a document that names our technique definition; nothing is refused for them. */
  readonly findings: readonly TechniqueFinding[];
} & (
  | { readonly kind: 'records'; readonly records: readonly DecodedRecord[] }
  | { readonly kind: 'spectra'; readonly spectra: readonly OpenSpectrum[] }
  | { readonly kind: 'refused'; readonly faults: readonly OpenFault[] }
);

/**
 * Reads a file of one of the open formats. A file that says it is one of ours is read as its record, verified by
 * its digests, or refused: never as a spectrum only. Anything else gives its Raman spectra. The records of a CSV
 * file come without values: these stand in files beside it (`readSpectrumOfRecord`).
 */
export function decodeOpenFile(
  bytes: Uint8Array,
  format: OpenFormat,
  form: CsvReadForm = {},
): DecodedFile {
  const read = READERS[format](bytes, form);
  if (read.kind !== 'refused') return read;
  const faults = read.faults.map(({ at, message }) => ({
    at: at === '' ? 'the file' : at,
    message,
  }));
  return { ...read, faults };
}

type Reader = (bytes: Uint8Array, form: CsvReadForm) => DecodedFile;

const READERS: Readonly<Record<OpenFormat, Reader>> = {
  animl: decodeAniml,
  e1947: decodeE1947,
  jcamp: decodeJcamp,
  csv: decodeCsv,
};

function decodeAniml(bytes: Uint8Array): DecodedFile {
  const parsed = parseXmlTree(bytes, ANIML_LIMITS);
  if (!parsed.ok) return refused([parsed.fault]);
  const root = animlRoot(parsed.tree);
  const findings = root === null ? null : techniqueFindings(root);
  // Others may use our technique: a record of ours says so itself.
  if (findings === null || !Buffer.from(bytes).includes(RECORD_SCHEMA)) {
    return { ...ofSpectra(readOpenAniml(bytes)), findings: findings ?? [] };
  }
  const read = readAniml(bytes);
  if (read.ok) {
    return { kind: 'records', records: [{ ...read.content, isExact: true }], findings };
  }
  return { ...refused(read.faults.map(({ path: at, message }) => ({ at, message }))), findings };
}

function decodeE1947(bytes: Uint8Array): DecodedFile {
  const read = readNetcdf(bytes);
  const isOurs = read.ok && read.file.attributes.some(saysItIsOurs);
  if (!isOurs) return ofSpectra(readOpenE1947(bytes));
  const content = readE1947(bytes);
  if (!content.ok) return refused(content.faults);
  return { kind: 'records', records: [content.content], findings: [] };
}

/** Our profile, or one of the texts that only a record of ours has; a profile of others is none. */
function saysItIsOurs(attribute: NetcdfAttribute): boolean {
  const { name } = attribute;
  if (name === 'record_profile') return netcdfText(attribute) === E1947_PROFILE;
  return name === `${RECORD_PREFIX}schema` || name === `${RECORD_PREFIX}sha256`;
}

function decodeJcamp(bytes: Uint8Array): DecodedFile {
  const read = readJcamp(bytes);
  if (!read.ok || !isJcampRecord(read.block)) {
    return ofSpectra(readOpenJcamp(bytes, { mayDisagree: true }));
  }
  const content = readJcampRecord(bytes);
  if (!content.ok) return refused(content.faults);
  return { kind: 'records', records: [{ ...content.content, isExact: true }], findings: [] };
}

function decodeCsv(bytes: Uint8Array, form: CsvReadForm): DecodedFile {
  const text = utf8(bytes);
  if (text === null) return refused([{ at: 'the file', message: 'expected UTF-8' }]);
  if (bytes.length > CSV_BYTES_MAX) {
    const message = `expected at most ${CSV_BYTES_MAX} bytes, found ${bytes.length}`;
    return refused([{ at: 'the file', message }]);
  }
  if (!isCsvOfRecords(text)) return ofSpectra(readOpenCsv(text, form));
  const read = readCsvRecords(text, form);
  if (!read.ok) {
    const place = (line: number, column: string) =>
      column === '' ? `line ${line}` : `line ${line}, column ${column}`;
    return refused(
      read.faults.map(({ line, column, message }) => ({ at: place(line, column), message })),
    );
  }
  if (read.records.length === 0) {
    return refused([{ at: 'line 2', message: 'expected a row below the header, found none' }]);
  }
  const records = read.records.map((record) => ({ record, values: null, isExact: true }));
  return { kind: 'records', records, findings: [] };
}

/** As much as JCAMP-DX may have: a million points of two columns fit. */
export const CSV_BYTES_MAX = 67_108_864;

/** Text of a file, without its byte order mark; null for bytes that are no UTF-8. */
export function utf8(bytes: Uint8Array): string | null {
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch {
    // Bytes of another character set: the caller names the file.
    return null;
  }
}

function ofSpectra(read: OpenRead): DecodedFile {
  if (!read.ok) return refused([read.fault]);
  return { kind: 'spectra', spectra: read.spectra, findings: [] };
}

function refused(faults: readonly OpenFault[]): DecodedFile & { readonly kind: 'refused' } {
  return { kind: 'refused', faults, findings: [] };
}
