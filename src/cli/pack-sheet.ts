import { type Decimal, isDecimal } from '../formats/decimal.js';
import { DECISIONS, type Decision } from '../site/vocabulary.js';
import { type CellReader, type ReadRows, readTable } from './sheet-table.js';

/** One measured run as the sheet has it. */
export interface SheetRow {
  readonly line: number;
  readonly run: number;
  /** Spectrum file relative to the folder; null for a run without one. */
  readonly file: string | null;
  readonly receipt: string | null;
  readonly material: string | null;
  readonly lot: string | null;
  readonly container: string | null;
  readonly method: string;
  readonly operator: string;
  readonly measuredAt: string;
  readonly decision: Decision;
  readonly score: Decimal | null;
  readonly instrument: string | null;
  readonly remarks: readonly { readonly name: string; readonly text: string }[];
}

export const SHEET_COLUMNS = [
  'run',
  'file',
  'receipt',
  'material',
  'lot',
  'container',
  'method',
  'operator',
  'measured_at',
  'decision',
  'score',
] as const;

const REMARK_NAME_MAX = 200;
const REMARK_MAX = 10_000;

/**
 * Reads a run sheet: CSV with the columns of `SHEET_COLUMNS` in any order, `instrument` if there are several,
 * and any others, which become remarks.
 */
export function readRunSheet(text: string, file: string, rowsMax: number): ReadRows<SheetRow> {
  return readTable(text, file, { columns: SHEET_COLUMNS, rowsMax, readRow });
}

function readRow(cells: CellReader): SheetRow {
  return {
    line: cells.line,
    run: cells.run(),
    file: cells.spectrumFile(),
    receipt: cells.optional('receipt'),
    material: cells.optional('material'),
    lot: cells.optional('lot'),
    container: cells.optional('container'),
    method: cells.required('method'),
    operator: cells.required('operator'),
    measuredAt: cells.time('measured_at'),
    decision: cells.oneOf('decision', DECISIONS, 'inconclusive'),
    score: readScore(cells),
    instrument: cells.optional('instrument'),
    remarks: readRemarks(cells),
  };
}

function readScore(cells: CellReader): Decimal | null {
  const text = cells.optional('score');
  if (text === null || isDecimal(text)) return text;
  cells.fault('score', `expected a plain decimal such as 0.954, found ${JSON.stringify(text)}`);
  return null;
}

function readRemarks(cells: CellReader): SheetRow['remarks'] {
  return cells
    .others([...SHEET_COLUMNS, 'instrument'])
    .filter(([, text]) => text !== '')
    .map(([name, text]) => {
      if (text.length > REMARK_MAX) cells.fault(name, `longer than ${REMARK_MAX} characters`);
      return { name: name.slice(0, REMARK_NAME_MAX), text };
    });
}
