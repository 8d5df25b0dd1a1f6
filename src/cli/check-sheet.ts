import { compareDecimals, type Decimal, isDecimal } from '../formats/decimal.js';
import { type CellReader, type ReadRows, readTable } from './sheet-table.js';

/** One performance check as the sheet has it. */
export interface CheckRow {
  readonly line: number;
  readonly run: number;
  /** Spectrum file relative to the folder; null for a check that hands none over. */
  readonly file: string | null;
  readonly checkedAt: string;
  readonly standard: string;
  readonly outcome: 'pass' | 'fail';
  /** Bands that the instrument reported, cm-1, in the order of their columns. */
  readonly shifts: readonly { readonly expected: Decimal; readonly observed: Decimal }[];
  readonly instrument: string | null;
}

export const CHECK_COLUMNS = ['run', 'checked_at', 'standard', 'outcome'] as const;
const OPTIONAL_COLUMNS = ['file', 'instrument'];

/**
 * Reads a sheet of performance checks: CSV, a check a row, with the columns of `CHECK_COLUMNS`, `file` and `instrument`
 * if they are needed, and a column for each band, headed by the position expected of it in cm-1; its cells hold
 * the position observed, or nothing where none was reported.
 */
export function readCheckSheet(text: string, file: string, rowsMax: number): ReadRows<CheckRow> {
  return readTable(text, file, { columns: CHECK_COLUMNS, rowsMax, whyNotColumn, readRow });
}

function whyNotColumn(name: string, before: readonly string[]): string | null {
  if (OPTIONAL_COLUMNS.includes(name)) return null;
  if (!isDecimal(name)) {
    const known = [...CHECK_COLUMNS, ...OPTIONAL_COLUMNS].join(', ');
    return `expected one of ${known}, or the position of a band such as 1001.4`;
  }
  const same = before.find((b) => b !== name && isDecimal(b) && compareDecimals(b, name) === 0);
  return same === undefined ? null : `the band stands in column ${same} already`;
}

function readRow(cells: CellReader): CheckRow {
  return {
    line: cells.line,
    run: cells.run(),
    file: cells.spectrumFile(),
    checkedAt: cells.time('checked_at'),
    standard: cells.required('standard'),
    outcome: cells.oneOf('outcome', ['pass', 'fail'] as const, 'fail'),
    shifts: readShifts(cells),
    instrument: cells.optional('instrument'),
  };
}

function readShifts(cells: CellReader): CheckRow['shifts'] {
  return cells.others([...CHECK_COLUMNS, ...OPTIONAL_COLUMNS]).flatMap(([expected, observed]) => {
    if (observed === '' || !isDecimal(expected)) return [];
    if (isDecimal(observed)) return [{ expected, observed }];
    const found = JSON.stringify(observed);
    cells.fault(expected, `expected a position such as 1001.6, found ${found}`);
    return [];
  });
}
