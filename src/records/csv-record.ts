import { canonicalJson } from '../formats/canonical-json.js';
import { type CsvRow, parseCsv, writeCsv } from '../formats/csv.js';
import { isDecimal } from '../formats/decimal.js';
import { assembleRecord, type RecordLists } from './assemble-record.js';
import { heldText, holdCellText } from './held-text.js';
import { fieldReader, RECORD_FIELDS } from './record-fields.js';
import type { ResultRecord } from './result-record.js';

/**
 * Columns of the flat form: every single-valued field of the record by its path
 * (`measuredAt.utc` is `measured_at_utc`), then the three lists, each as one JSON text (RFC 8785).
 * docs/formats.md explains them; units are in the names.
 */
export const CSV_COLUMNS: readonly string[] = [
  ...RECORD_FIELDS.map((field) => columnOf(field.at)),
  'candidates',
  'remarks',
  'findings',
];

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

const READERS = RECORD_FIELDS.map((field) => fieldReader(field.at));

function columnOf(at: string): string {
  return at.replace('.', '_').replace(/[A-Z]/g, (capital) => `_${capital.toLowerCase()}`);
}

function rowOf(record: ResultRecord): readonly string[] {
  const cells = READERS.map((read) => {
    const text = read(record);
    return text === null ? '' : holdCellText(text);
  });
  return [
    ...cells,
    canonicalJson(record.candidates),
    canonicalJson(record.remarks),
    canonicalJson(record.findings),
  ];
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
  const cell = (column: string): string => cells[columns.indexOf(column)] ?? '';
  const texts = new Map<string, string>();
  for (const field of RECORD_FIELDS) {
    const held = cell(columnOf(field.at));
    if (held === '') continue;
    const text = heldText(held);
    if (text === null) {
      const message = 'expected a JSON string after json:';
      faults.push({ line, column: columnOf(field.at), message });
    } else texts.set(field.at, text);
  }
  const lists = readLists(cell, line, faults);
  const assembled = assembleRecord(texts, lists);
  if (assembled.ok) return assembled.record;
  for (const { at, message } of assembled.faults) {
    faults.push({ line, column: columnOf(at), message });
  }
  return null;
}

function readLists(
  cell: (column: string) => string,
  line: number,
  faults: CsvRecordFault[],
): RecordLists {
  const list = <T>(column: string, isItem: (item: unknown) => item is T): readonly T[] => {
    const items = parsedJson(cell(column));
    if (Array.isArray(items) && items.every(isItem)) return items;
    faults.push({ line, column, message: 'expected a JSON list of the items of this column' });
    return [];
  };
  return {
    candidates: list('candidates', isCandidate),
    remarks: list('remarks', isRemark),
    findings: list('findings', (item): item is string => typeof item === 'string'),
  };
}

function parsedJson(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    // Not JSON: no list, which the caller reports with line and column.
    return null;
  }
}

function isCandidate(item: unknown): item is RecordLists['candidates'][number] {
  if (!hasTexts(item, ['material', 'score'])) return false;
  return isDecimal(item['score'] ?? '');
}

function isRemark(item: unknown): item is RecordLists['remarks'][number] {
  return hasTexts(item, ['name', 'text']);
}

function hasTexts(item: unknown, names: readonly string[]): item is Record<string, string> {
  if (typeof item !== 'object' || item === null) return false;
  const members = Object.entries(item);
  return (
    members.length === names.length &&
    members.every(([name, value]) => names.includes(name) && typeof value === 'string')
  );
}
