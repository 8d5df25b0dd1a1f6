import { headerSeparator, parseCsv } from '../formats/csv.js';
import { parseTimestamp } from '../formats/instant.js';

/** One place in a file that stops the packing. */
export interface PackFault {
  readonly file: string;
  /** From 1; 0 for the file as a whole. */
  readonly line: number;
  /** Column name, or '' for the whole line. */
  readonly column: string;
  readonly message: string;
}

export type ReadRows<Row> =
  | { readonly ok: true; readonly rows: readonly Row[] }
  | { readonly ok: false; readonly faults: readonly PackFault[] };

/** A sheet as `readTable` takes it: a run a row. */
export interface SheetForm<Row> {
  readonly columns: readonly string[];
  readonly rowsMax: number;
  /** Why no further column may be called this, beside the ones that stand before it; null when it may. */
  readonly whyNotColumn?: (name: string, before: readonly string[]) => string | null;
  readonly readRow: (cells: CellReader) => Row;
}

const TEXT_MAX = 200;
const FAULTS_MAX = 50;

/**
 * Reads a CSV sheet of runs, its columns in any order and others beside them, and sorts it by run number. Reports
 * every fault, up to a bound.
 */
export function readTable<Row extends { readonly run: number }>(
  text: string,
  file: string,
  form: SheetForm<Row>,
): ReadRows<Row> {
  const { rowsMax, readRow } = form;
  const parsed = parseCsv(text, { separator: headerSeparator(text), rowsMax: rowsMax + 1 });
  if (!parsed.ok) {
    return refused(parsed.faults.map((fault) => ({ file, column: '', ...fault })));
  }
  const rows = parsed.rows.filter((row) => row.cells.some((cell) => cell.trim() !== ''));
  const [header, ...body] = rows;
  const names = (header?.cells ?? []).map((cell) => cell.trim());
  const faults: PackFault[] = headerFaults(names, form, file, header?.line ?? 1);
  if (faults.length > 0) return refused(faults);
  if (body.length === 0) {
    return refused([{ file, line: 0, column: '', message: 'no run below the header' }]);
  }
  const read: Row[] = [];
  const lineOfRun = new Map<number, number>();
  for (const { line, cells } of body) {
    if (cells.length !== names.length) {
      const message = `expected ${names.length} cells, found ${cells.length}`;
      faults.push({ file, line, column: '', message });
      continue;
    }
    const reader = new CellReader(names, cells, file, line);
    const row = readRow(reader);
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

function refused(faults: readonly PackFault[]): {
  readonly ok: false;
  readonly faults: readonly PackFault[];
} {
  return { ok: false, faults: faults.slice(0, FAULTS_MAX) };
}

function headerFaults<Row>(
  names: readonly string[],
  { columns, whyNotColumn = () => null }: SheetForm<Row>,
  file: string,
  line: number,
): PackFault[] {
  const missing = columns
    .filter((name) => !names.includes(name))
    .map((column) => ({
      file,
      line,
      column,
      message: `the column is missing; expected ${columns.join(',')}`,
    }));
  const twice = names.filter((name, index) => names.indexOf(name) !== index);
  const wrong = names.flatMap((column, index) => {
    if (column === '' || columns.includes(column)) return [];
    const message = whyNotColumn(column, names.slice(0, index));
    return message === null ? [] : [{ file, line, column, message }];
  });
  return [
    ...missing,
    ...twice.map((column) => ({ file, line, column, message: 'the column stands twice' })),
    ...wrong,
  ];
}

/** The cells of one row, read by column; what is wrong with them is collected. */
export class CellReader {
  readonly faults: PackFault[] = [];
  readonly #cells: ReadonlyMap<string, string>;
  readonly #file: string;

  constructor(
    names: readonly string[],
    cells: readonly string[],
    file: string,
    readonly line: number,
  ) {
    this.#cells = new Map(names.map((name, index) => [name, (cells[index] ?? '').trim()]));
    this.#file = file;
  }

  /** The cells that none of these columns is, by name. */
  others(columns: readonly string[]): (readonly [string, string])[] {
    return [...this.#cells].filter(([name]) => name !== '' && !columns.includes(name));
  }

  run(): number {
    const text = this.required('run');
    const run = Number(text);
    if (text !== '' && (!/^[1-9]\d*$/.test(text) || !Number.isSafeInteger(run))) {
      this.fault('run', `expected a whole number from 1, found ${JSON.stringify(text)}`);
    }
    return run;
  }

  /** A spectrum file relative to the folder; null for a run without one. */
  spectrumFile(): string | null {
    const name = this.optional('file');
    if (name !== null && (/^[/\\]|^[A-Za-z]:/.test(name) || name.split(/[/\\]/).includes('..'))) {
      this.fault('file', `expected a file below the folder of spectra, found ${name}`);
    }
    return name;
  }

  time(column: string): string {
    const text = this.required(column);
    if (text !== '' && parseTimestamp(text) === null) {
      const example = '2026-03-04T09:15:30+00:00';
      this.fault(column, `expected a time with offset such as ${example}, found ${text}`);
    }
    return text;
  }

  /** One of `known`; `otherwise` stands for what is no such word, which is a fault. */
  oneOf<Word extends string>(column: string, known: readonly Word[], otherwise: Word): Word {
    const text = this.required(column);
    const word = known.find((one) => one === text);
    if (text !== '' && word === undefined) {
      this.fault(column, `expected one of ${known.join(', ')}, found ${text}`);
    }
    return word ?? otherwise;
  }

  required(column: string): string {
    const text = this.optional(column);
    if (text === null) this.fault(column, 'the cell is empty');
    return text ?? '';
  }

  optional(column: string): string | null {
    const text = this.#cells.get(column) ?? '';
    if (text.length > TEXT_MAX) this.fault(column, `longer than ${TEXT_MAX} characters`);
    return text === '' ? null : text;
  }

  fault(column: string, message: string): void {
    this.faults.push({ file: this.#file, line: this.line, column, message });
  }
}
