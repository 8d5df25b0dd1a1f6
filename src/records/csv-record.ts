import {
  type CsvForm,
  type CsvReadForm,
  type CsvRow,
  headerSeparator,
  parseCsv,
  RAW_CSV,
  withoutGuard,
  writeCsv,
} from '../formats/csv.js';
import { DECIMAL_NAMES, recordOfTexts, TEXT_NAMES, textsOfRecord } from './record-texts.js';
import type { ResultRecord } from './result-record.js';

/** Columns of the flat form: the named texts of a record. */
export const CSV_COLUMNS = TEXT_NAMES;

/**
 * One column more, last, in files that are safe to open in a spreadsheet. It tells a reader that an apostrophe
 * at the beginning of a cell is none of the record's.
 */
export const FORMULA_SAFE_COLUMN = 'formula_safe';
const FORMULA_SAFE = 'apostrophe';

/**
 * Records as CSV (RFC 4180, CR LF), one row a result, header first. An empty cell is null; an empty text and a
 * text that XML could not hold are written in the `json:` form of `held-text.ts`. Raw by default, for machines:
 * digits and texts as reported, comma and decimal point, nothing added against spreadsheets.
 * A form that `csvFormFault` refuses must not be given.
 */
export function writeCsvRecords(records: readonly ResultRecord[], form: CsvForm = RAW_CSV): string {
  const isSafe = form.isFormulaSafe;
  const header = isSafe ? [...CSV_COLUMNS, FORMULA_SAFE_COLUMN] : CSV_COLUMNS;
  const rows = records.map((record) => rowOf(record, form));
  return writeCsv([header, ...rows], form);
}

export type CsvRecordsRead =
  | { readonly ok: true; readonly records: readonly ResultRecord[] }
  | { readonly ok: false; readonly faults: readonly CsvRecordFault[] };

export interface CsvRecordFault {
  readonly line: number;
  /** Column name, '' when the row as a whole is meant. */
  readonly column: string;
  readonly message: string;
}

/** True for the text of a file that `writeCsvRecords` wrote, whatever it is separated by. */
export function isCsvOfRecords(text: string): boolean {
  const end = text.indexOf('\n');
  const header = end === -1 ? text : text.slice(0, end);
  return ['result_id', 'measured_at_reported', 'recheck_answer'].every((name) =>
    header.includes(name),
  );
}

/**
 * Reads what `writeCsvRecords` wrote. The columns may stand in any order but must all be there, once. The
 * separator is that of the header line unless it is declared; decimals must have the declared mark.
 */
export function readCsvRecords(text: string, form: CsvReadForm = {}): CsvRecordsRead {
  const parsed = parseCsv(text, { separator: form.separator ?? headerSeparator(text) });
  if (!parsed.ok) {
    return { ok: false, faults: parsed.faults.map((fault) => ({ ...fault, column: '' })) };
  }
  const [header, ...rows] = parsed.rows;
  const columns = header?.cells ?? [];
  const faults: CsvRecordFault[] = headerFaults(columns);
  const records: ResultRecord[] = [];
  if (faults.length > 0) return { ok: false, faults };
  for (const row of rows) {
    const record = readRow(columns, row, form, faults);
    if (record !== null) records.push(record);
  }
  return faults.length > 0 ? { ok: false, faults } : { ok: true, records };
}

function rowOf(record: ResultRecord, { decimalMark, isFormulaSafe }: CsvForm): readonly string[] {
  const cells = textsOfRecord(record).map(({ name, text }) => {
    if (text === null) return '';
    return decimalMark === 'comma' && DECIMAL_NAMES.has(name) ? text.replace('.', ',') : text;
  });
  return isFormulaSafe ? [...cells, FORMULA_SAFE] : cells;
}

function headerFaults(columns: readonly string[]): CsvRecordFault[] {
  return CSV_COLUMNS.flatMap((column) => {
    const times = columns.filter((found) => found === column).length;
    return times === 1
      ? []
      : [{ line: 1, column, message: `expected the column once, found it ${times} times` }];
  });
}

function readRow(
  columns: readonly string[],
  row: CsvRow,
  form: CsvReadForm,
  faults: CsvRecordFault[],
): ResultRecord | null {
  const { line, cells } = row;
  if (cells.length !== columns.length) {
    const message = `expected ${columns.length} cells, found ${cells.length}`;
    faults.push({ line, column: '', message });
    return null;
  }
  const safe = columns.indexOf(FORMULA_SAFE_COLUMN);
  if (safe !== -1 && cells[safe] !== FORMULA_SAFE) {
    const message = `expected ${FORMULA_SAFE}, found ${JSON.stringify(cells[safe])}`;
    faults.push({ line, column: FORMULA_SAFE_COLUMN, message });
    return null;
  }
  const read = recordOfTexts((column) => {
    const cell = cells[columns.indexOf(column)] ?? '';
    const text = safe === -1 ? cell : withoutGuard(cell);
    if (text === '') return null;
    return DECIMAL_NAMES.has(column) ? withPoint(text, form) : text;
  });
  if (read.ok) return read.record;
  faults.push(...read.faults.map(({ name: column, message }) => ({ line, column, message })));
  return null;
}

/** A point where a comma was declared would be read as a number all the same; doubled, it is none. */
function withPoint(text: string, { decimalMark }: CsvReadForm): string {
  if (decimalMark !== 'comma') return text;
  return text.replaceAll('.', '..').replace(',', '.');
}
