import { type CsvRow, parseCsv, writeCsv } from '../formats/csv.js';
import { recordOfTexts, TEXT_NAMES, textsOfRecord } from './record-texts.js';
import type { ResultRecord } from './result-record.js';

/** Columns of the flat form: the named texts of a record. */
export const CSV_COLUMNS = TEXT_NAMES;

/**
 * Records as CSV (RFC 4180, comma, CR LF), one row a result, header first. For machines: digits and
 * texts as reported, nothing added against spreadsheets. An empty cell is null; an empty text and a text
 * that XML could not hold are written in the `json:` form of `held-text.ts`.
 */
export function writeCsvRecords(records: readonly ResultRecord[]): string {
  return writeCsv([CSV_COLUMNS, ...records.map(rowOf)]);
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

/** Reads what `writeCsvRecords` wrote. The columns may stand in any order but must all be there, once. */
export function readCsvRecords(text: string): CsvRecordsRead {
  const parsed = parseCsv(text);
  if (!parsed.ok) {
    return { ok: false, faults: parsed.faults.map((fault) => ({ ...fault, column: '' })) };
  }
  const [header, ...rows] = parsed.rows;
  const columns = header?.cells ?? [];
  const faults: CsvRecordFault[] = headerFaults(columns);
  const records: ResultRecord[] = [];
  if (faults.length > 0) return { ok: false, faults };
  for (const row of rows) {
    const record = readRow(columns, row, faults);
    if (record !== null) records.push(record);
  }
  return faults.length > 0 ? { ok: false, faults } : { ok: true, records };
}

function rowOf(record: ResultRecord): readonly string[] {
  return textsOfRecord(record).map(({ text }) => text ?? '');
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
  faults: CsvRecordFault[],
): ResultRecord | null {
  const { line, cells } = row;
  if (cells.length !== columns.length) {
    const message = `expected ${columns.length} cells, found ${cells.length}`;
    faults.push({ line, column: '', message });
    return null;
  }
  const read = recordOfTexts((column) => {
    const cell = cells[columns.indexOf(column)] ?? '';
    return cell === '' ? null : cell;
  });
  if (read.ok) return read.record;
  faults.push(...read.faults.map(({ name: column, message }) => ({ line, column, message })));
  return null;
}
