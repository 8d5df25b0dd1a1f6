import type { SpectrumSummary, SpectrumValues } from '../checks/spectrum-values.js';
import {
  type CsvForm,
  type CsvReadForm,
  headerSeparator,
  parseCsv,
  RAW_CSV,
  writeCsv,
} from '../formats/csv.js';
import { isDecimal } from '../formats/decimal.js';
import { type OpenFault, type OpenRead, spectrumFault } from '../formats/open-spectrum.js';
import { unitOfHeader } from '../formats/spectrum-header.js';
import { readSpectrumTable } from '../formats/spectrum-table.js';
import { valuesOfRecord } from './record-values.js';

/** First header cell of the files written here, before start and step of an even axis. */
const AXIS_HEADER = 'raman_shift/cm-1';
const EVEN = /^raman_shift\/cm-1 start=(\S+) step=(\S+)$/;

/** What a two-column file can hold of a spectrum. */
export interface TabledSpectrum {
  readonly axis: ArrayLike<number>;
  readonly intensity: ArrayLike<number>;
  readonly intensityUnit: string;
  readonly even: SpectrumValues['even'];
}

/**
 * A spectrum as two columns under a header with the units: Raman shift in cm-1 and intensity. Numbers have the
 * digits that give back the same double; an even axis has start and step, as reported, in its header. The values
 * must be finite (`isFinite`).
 */
export function writeSpectrumCsv(spectrum: TabledSpectrum, form: CsvForm = RAW_CSV): string {
  const { axis, intensity, intensityUnit, even } = spectrum;
  const declared = even === null ? '' : ` start=${even.start} step=${even.step}`;
  // The unit is another's text: neither separator nor quote may end up in a header that is split by them.
  const unit = intensityUnit.replace(/[,;|"\p{Cc}\p{Zl}\p{Zp}]+/gu, ' ').trim();
  const rows = [[`${AXIS_HEADER}${declared}`, `intensity/${unit}`]];
  for (let i = 0; i < axis.length; i++) {
    rows.push([digits(axis[i] ?? 0, form), digits(intensity[i] ?? 0, form)]);
  }
  return writeCsv(rows, form);
}

/** True when every number is one that a text has digits for. */
export function isAllFinite(values: ArrayLike<number>): boolean {
  for (let i = 0; i < values.length; i++) if (!Number.isFinite(values[i])) return false;
  return true;
}

function digits(value: number, { decimalMark }: CsvForm): string {
  const text = Object.is(value, -0) ? '-0' : String(value);
  return decimalMark === 'comma' ? text.replace('.', ',') : text;
}

export type SpectrumCsvRead =
  | { readonly ok: true; readonly values: SpectrumValues }
  | { readonly ok: false; readonly fault: OpenFault };

/** Reads what `writeSpectrumCsv` wrote beside a record: the record's values, verified by its digest of them. */
export function readSpectrumOfRecord(
  text: string,
  summary: SpectrumSummary,
  form: CsvReadForm = {},
): SpectrumCsvRead {
  const refuse = (line: number, message: string): SpectrumCsvRead => {
    return { ok: false, fault: { at: `line ${line}`, message } };
  };
  const parsed = parseCsv(text, {
    separator: form.separator ?? headerSeparator(text),
    rowsMax: summary.points + 1,
  });
  if (!parsed.ok) {
    const [fault] = parsed.faults;
    return refuse(fault?.line ?? 1, fault?.message ?? 'expected CSV');
  }
  const [header, ...rows] = parsed.rows;
  const head = header?.cells[0] ?? '';
  if (header?.cells.length !== 2 || (head !== AXIS_HEADER && !EVEN.test(head))) {
    return refuse(1, `expected the header ${AXIS_HEADER} and the intensity`);
  }
  const [, start = '', step = ''] = EVEN.exec(head) ?? [];
  const even = isDecimal(start) && isDecimal(step) ? { start, step } : null;
  const numbers: number[][] = [];
  for (const { line, cells } of rows) {
    const row = cells.map((cell) => numberOf(cell, form));
    if (row.length !== 2 || row.some(Number.isNaN)) {
      return refuse(line, `expected two numbers, found ${JSON.stringify(cells).slice(0, 80)}`);
    }
    numbers.push(row);
  }
  const column = (at: 0 | 1) => Float64Array.from(numbers, (row) => row[at] ?? 0);
  const read = valuesOfRecord(summary, column(0), column(1), even);
  return read.ok ? read : refuse(1, read.message);
}

const NUMBER = /^-?\d+(?:\.\d+)?(?:e[+-]\d{1,3})?$/;

function numberOf(cell: string, { decimalMark }: CsvReadForm): number {
  const isOther = decimalMark === 'comma' && cell.includes('.');
  const text = decimalMark === 'comma' ? cell.replace(',', '.') : cell;
  return !isOther && NUMBER.test(text) ? Number(text) : Number.NaN;
}

const POINTS_MAX = 1_000_000;

/**
 * Reads a two-column file of anybody: Raman shift and intensity, with at most one header line, which says so; the unit of
 * the second column is taken as it stands. A file without header is taken at its word.
 */
export function readOpenCsv(text: string, form: CsvReadForm = {}): OpenRead {
  const read = readSpectrumTable(text, POINTS_MAX, form);
  if (!read.ok) {
    const { line, column, message } = read.fault;
    const at = column === 0 ? `line ${line}` : `line ${line}, column ${column}`;
    return { ok: false, fault: { at, message } };
  }
  const { axis, intensity } = read.table;
  const fault = spectrumFault(axis, intensity);
  if (fault !== null) return { ok: false, fault: { at: 'line 1', message: fault } };
  const intensityUnit = unitOfHeader(read.header?.[1] ?? '') ?? 'arbitrary';
  return { ok: true, spectra: [{ title: '', axis, intensity, intensityUnit, notes: [] }] };
}
