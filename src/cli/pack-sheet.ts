import { headerSeparator, parseCsv } from '../formats/csv.js';
import { type Decimal, isDecimal } from '../formats/decimal.js';
import { parseTimestamp } from '../formats/instant.js';
import { DECISIONS, type Decision } from '../site/vocabulary.js';

/** One place in a file that stops the packing. */
export interface PackFault {
  readonly file: string;
  /** From 1; 0 for the file as a whole. */
  readonly line: number;
  /** Column name, or '' for the whole line. */
  readonly column: string;
  readonly message: string;
}

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

export type ReadSheet =
  | { readonly ok: true; readonly rows: readonly SheetRow[] }
  | { readonly ok: false; readonly faults: readonly PackFault[] };

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
type Column = (typeof SHEET_COLUMNS)[number] | 'instrument';

const TEXT_MAX = 200;
const REMARK_MAX = 10_000;
const FAULTS_MAX = 50;

/**
 * Reads a run sheet: CSV with the columns of `SHEET_COLUMNS` in any order, `instrument` if there are several,
 * and any others, which become remarks. Reports every fault, up to a bound.
 */
export function readRunSheet(text: string, file: string, rowsMax: number): ReadSheet {
  const parsed = parseCsv(text, { separator: headerSeparator(text), rowsMax: rowsMax + 1 });
  if (!parsed.ok) {
    return refused(parsed.faults.map((fault) => ({ file, column: '', ...fault })));
  }
  const rows = parsed.rows.filter((row) => row.cells.some((cell) => cell.trim() !== ''));
  const [header, ...body] = rows;
  const names = (header?.cells ?? []).map((cell) => cell.trim());
  const faults: PackFault[] = headerFaults(names, file, header?.line ?? 1);
  if (faults.length > 0) return refused(faults);
  if (body.length === 0) {
    return refused([{ file, line: 0, column: '', message: 'no run below the header' }]);
  }
  const read: SheetRow[] = [];
  const lineOfRun = new Map<number, number>();
  for (const { line, cells } of body) {
    if (cells.length !== names.length) {
      const message = `expected ${names.length} cells, found ${cells.length}`;
      faults.push({ file, line, column: '', message });
      continue;
    }
    const reader = new RowReader(names, cells, file, line);
    const row = reader.row();
    faults.push(...reader.faults);
    const before = lineOfRun.get(row.run);
    if (before !== undefined) {
      const message = `run ${row.run} stands on line ${before} already`;
      faults.push({ file, line, column: 'run', message });
    }
    lineOfRun.set(row.run, line);
    read.push(row);
  }
  if (faults.length > 0) return refused(faults);
  return { ok: true, rows: read.sort((a, b) => a.run - b.run) };
}

function refused(faults: readonly PackFault[]): ReadSheet {
  return { ok: false, faults: faults.slice(0, FAULTS_MAX) };
}

function headerFaults(names: readonly string[], file: string, line: number): PackFault[] {
  const missing = SHEET_COLUMNS.filter((name) => !names.includes(name)).map((column) => ({
    file,
    line,
    column,
    message: `the column is missing; expected ${SHEET_COLUMNS.join(',')}`,
  }));
  const twice = names.filter((name, index) => names.indexOf(name) !== index);
  return [
    ...missing,
    ...twice.map((column) => ({ file, line, column, message: 'the column stands twice' })),
  ];
}

class RowReader {
  readonly faults: PackFault[] = [];
  readonly #cells: ReadonlyMap<string, string>;
  readonly #file: string;
  readonly #line: number;

  constructor(names: readonly string[], cells: readonly string[], file: string, line: number) {
    this.#cells = new Map(names.map((name, index) => [name, (cells[index] ?? '').trim()]));
    this.#file = file;
    this.#line = line;
  }

  row(): SheetRow {
    return {
      line: this.#line,
      run: this.#run(),
      file: this.#spectrumFile(),
      receipt: this.#optional('receipt'),
      material: this.#optional('material'),
      lot: this.#optional('lot'),
      container: this.#optional('container'),
      method: this.#required('method'),
      operator: this.#required('operator'),
      measuredAt: this.#measuredAt(),
      decision: this.#decision(),
      score: this.#score(),
      instrument: this.#optional('instrument'),
      remarks: this.#remarks(),
    };
  }

  #run(): number {
    const text = this.#required('run');
    const run = Number(text);
    if (text !== '' && (!/^[1-9]\d*$/.test(text) || !Number.isSafeInteger(run))) {
      this.#fault('run', `expected a whole number from 1, found ${JSON.stringify(text)}`);
    }
    return run;
  }

  #spectrumFile(): string | null {
    const name = this.#optional('file');
    if (name !== null && (/^[/\\]|^[A-Za-z]:/.test(name) || name.split(/[/\\]/).includes('..'))) {
      this.#fault('file', `expected a file below the folder of spectra, found ${name}`);
    }
    return name;
  }

  #measuredAt(): string {
    const text = this.#required('measured_at');
    if (text !== '' && parseTimestamp(text) === null) {
      const example = '2026-03-04T09:15:30+00:00';
      this.#fault('measured_at', `expected a time with offset such as ${example}, found ${text}`);
    }
    return text;
  }

  #decision(): Decision {
    const text = this.#required('decision');
    const decision = DECISIONS.find((known) => known === text);
    if (text !== '' && decision === undefined) {
      this.#fault('decision', `expected one of ${DECISIONS.join(', ')}, found ${text}`);
    }
    return decision ?? 'inconclusive';
  }

  #score(): Decimal | null {
    const text = this.#optional('score');
    if (text === null || isDecimal(text)) return text;
    this.#fault('score', `expected a plain decimal such as 0.954, found ${JSON.stringify(text)}`);
    return null;
  }

  #remarks(): SheetRow['remarks'] {
    const known: readonly string[] = [...SHEET_COLUMNS, 'instrument' satisfies Column];
    return [...this.#cells]
      .filter(([name, text]) => name !== '' && text !== '' && !known.includes(name))
      .map(([name, text]) => {
        if (text.length > REMARK_MAX) this.#fault(name, `longer than ${REMARK_MAX} characters`);
        return { name: name.slice(0, TEXT_MAX), text };
      });
  }

  #required(column: Column): string {
    const text = this.#optional(column);
    if (text === null) this.#fault(column, 'the cell is empty');
    return text ?? '';
  }

  #optional(column: Column): string | null {
    const text = this.#cells.get(column) ?? '';
    if (text.length > TEXT_MAX) this.#fault(column, `longer than ${TEXT_MAX} characters`);
    return text === '' ? null : text;
  }

  #fault(column: string, message: string): void {
    this.faults.push({ file: this.#file, line: this.#line, column, message });
  }
}
