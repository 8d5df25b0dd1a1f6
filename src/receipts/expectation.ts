import { type CsvRow, parseCsv } from '../formats/csv.js';
import {
  type Column,
  EXPECTATION_COLUMNS,
  type ExpectationFault,
  fault,
  LineReader,
  type ReceiptLine,
} from './expectation-line.js';

export type ExpectationResult =
  | { readonly ok: true; readonly lines: readonly ReceiptLine[] }
  | { readonly ok: false; readonly faults: readonly ExpectationFault[] };

const REQUIRED_COLUMNS: readonly Column[] = ['receipt_id', 'material', 'containers'];
const LINES_MAX = 5000;

/**
 * Reads an expectation file. Columns stand in any order; `receipt_id`, `material` and `containers` must be
 * there, an unknown column is a fault (a misspelt one would be silently ignored). A UTF-8 byte order mark
 * is dropped. Every fault is reported, and a file with any fault gives no lines.
 */
export function parseExpectation(
  text: string,
  options: { readonly separator?: ',' | ';' } = {},
): ExpectationResult {
  const separator = options.separator ?? ',';
  const parsed = parseCsv(text.startsWith('\uFEFF') ? text.slice(1) : text, { separator });
  if (!parsed.ok) {
    return {
      ok: false,
      faults: parsed.faults.map((f) => ({
        line: f.line,
        column: '',
        rule: 'csv',
        message: f.message,
        remedy: 'Write the file as RFC 4180 CSV in UTF-8.',
      })),
    };
  }
  const rows = parsed.rows.filter((r) => r.cells.some((c) => c.trim() !== ''));
  const [header, ...body] = rows;
  if (header === undefined) {
    return {
      ok: false,
      faults: [
        fault(
          0,
          '',
          'empty-file',
          'the file holds no line',
          'Write a header line and one line a receipt.',
        ),
      ],
    };
  }
  const columns = readHeader(header, separator);
  if (!columns.ok) return columns;
  if (body.length > LINES_MAX) {
    return {
      ok: false,
      faults: [
        fault(
          0,
          '',
          'too-many-lines',
          `found ${body.length} receipt lines, expected at most ${LINES_MAX}`,
          'Split the file.',
        ),
      ],
    };
  }
  return readLines(body, columns.names, header.cells.length);
}

type HeaderResult =
  | { readonly ok: true; readonly names: readonly Column[] }
  | { readonly ok: false; readonly faults: readonly ExpectationFault[] };

function readHeader(header: CsvRow, separator: string): HeaderResult {
  const faults: ExpectationFault[] = [];
  const seen = new Set<string>();
  const names: Column[] = [];
  for (const cell of header.cells) {
    const name = cell.trim();
    if (!isColumn(name)) {
      faults.push(
        fault(
          header.line,
          name,
          'unknown-column',
          `found column "${name}", expected one of ${EXPECTATION_COLUMNS.join(', ')}`,
          `Correct or drop the column; the separator was taken to be "${separator}".`,
        ),
      );
    } else if (seen.has(name)) {
      faults.push(
        fault(
          header.line,
          name,
          'column-twice',
          `column "${name}" stands twice`,
          'Drop one of the two.',
        ),
      );
    } else {
      seen.add(name);
      names.push(name);
    }
  }
  for (const name of REQUIRED_COLUMNS) {
    if (!seen.has(name)) {
      faults.push(
        fault(
          header.line,
          name,
          'missing-column',
          `column "${name}" is missing`,
          'Add the column; its cells may be empty only where a value is optional.',
        ),
      );
    }
  }
  return faults.length > 0 ? { ok: false, faults } : { ok: true, names };
}

function readLines(
  rows: readonly CsvRow[],
  names: readonly Column[],
  width: number,
): ExpectationResult {
  const faults: ExpectationFault[] = [];
  const lines: ReceiptLine[] = [];
  const ids = new Map<string, number>();
  const scans = new Map<string, number>();
  for (const row of rows) {
    if (row.cells.length !== width) {
      faults.push(
        fault(
          row.line,
          '',
          'cell-count',
          `found ${row.cells.length} cells, expected ${width}`,
          'Quote cells that hold the separator; the list of containers must be quoted when the separator is ";".',
        ),
      );
      continue;
    }
    const read = new LineReader(row.line, new Map(names.map((n, i) => [n, row.cells[i] ?? ''])));
    const line = read.receiptLine();
    faults.push(...read.faults);
    for (const [column, map, value] of [
      ['receipt_id', ids, line.receiptId],
      ['scan_text', scans, line.scanText],
    ] as const) {
      const before = map.get(value);
      if (before === undefined) map.set(value, row.line);
      else if (value !== '') {
        faults.push(
          fault(
            row.line,
            column,
            'twice-in-file',
            `"${value}" stands on line ${before} already`,
            'Give every receipt line an id and a scan text of its own.',
          ),
        );
      }
    }
    lines.push(line);
  }
  return faults.length > 0 ? { ok: false, faults } : { ok: true, lines };
}

function isColumn(name: string): name is Column {
  return (EXPECTATION_COLUMNS as readonly string[]).includes(name);
}
