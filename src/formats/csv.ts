/**
 * Comma-separated values after RFC 4180, with a separator of choice: quotes double inside quotes, a quoted
 * cell may hold line breaks. Read leniently in two points only: lines may end in a bare line feed, and a
 * byte order mark in front is dropped.
 */
export type CsvSeparator = ',' | ';' | '\t' | '|';

/** What stands before the fraction of a number: `.` or `,`. */
export type DecimalMark = 'point' | 'comma';

/** How a file is written: by what its reader has to be told. */
export interface CsvForm {
  readonly separator: CsvSeparator;
  readonly decimalMark: DecimalMark;
  /** See `CsvWriteOptions`. */
  readonly isFormulaSafe: boolean;
  readonly hasByteOrderMark: boolean;
}

/** For machines: RFC 4180, decimal point, nothing added. */
export const RAW_CSV: CsvForm = {
  separator: ',',
  decimalMark: 'point',
  isFormulaSafe: false,
  hasByteOrderMark: false,
};

/** What a reader is told of a file; a separator left out is taken from the header line. */
export interface CsvReadForm {
  readonly separator?: CsvSeparator;
  readonly decimalMark?: DecimalMark;
}

/** Why no file can be written or read like that; null when it can. */
export function csvFormFault({ separator, decimalMark }: CsvReadForm): string | null {
  if (separator !== ',' || decimalMark !== 'comma') return null;
  return 'the comma cannot separate cells and begin fractions: choose ; or tab to separate cells';
}

export interface CsvRow {
  /** Line of the file where the row begins, from 1. */
  readonly line: number;
  readonly cells: readonly string[];
}

export interface CsvFault {
  readonly line: number;
  readonly message: string;
}

export type ParsedCsv =
  | { readonly ok: true; readonly rows: readonly CsvRow[] }
  | { readonly ok: false; readonly faults: readonly CsvFault[] };

export interface CsvReadOptions {
  /** Default comma. */
  readonly separator?: CsvSeparator;
  /** Default 1 000 000. */
  readonly rowsMax?: number;
}

const ROWS_MAX = 1_000_000;

/** Rows with their lines, empty lines included as rows of one empty cell; stops at the first fault. */
export function parseCsv(text: string, options: CsvReadOptions = {}): ParsedCsv {
  const reader = new CsvReader(text, options.separator ?? ',');
  const rowsMax = options.rowsMax ?? ROWS_MAX;
  const rows: CsvRow[] = [];
  while (!reader.isAtEnd()) {
    if (rows.length >= rowsMax) return failed(reader.line, `more than ${rowsMax} rows`);
    const row = reader.row();
    if ('message' in row) return { ok: false, faults: [row] };
    rows.push(row);
  }
  return { ok: true, rows };
}

/** The separator that the header line of a file is made with: tab or semicolon where it has one, else comma. */
export function headerSeparator(text: string): CsvSeparator {
  const end = text.indexOf('\n');
  const header = end === -1 ? text : text.slice(0, end);
  return (['\t', ';'] as const).find((separator) => header.includes(separator)) ?? ',';
}

export interface CsvWriteOptions {
  /** Default comma. */
  readonly separator?: CsvSeparator;
  /** True for files that people open in a spreadsheet: cells that it would run as a formula get a `'` in front. */
  readonly isFormulaSafe?: boolean;
  /** Some spreadsheets take a file for UTF-8 only with a byte order mark in front. */
  readonly hasByteOrderMark?: boolean;
}

/** Rows as CSV text, lines ended by CR LF. Raw by default: reading it again gives the same cells. */
export function writeCsv(rows: Iterable<readonly string[]>, options: CsvWriteOptions = {}): string {
  const separator = options.separator ?? ',';
  let text = options.hasByteOrderMark === true ? '\ufeff' : '';
  for (const row of rows) {
    const cells = options.isFormulaSafe === true ? row.map(withoutFormula) : row;
    // A row of one empty cell would read back as nothing at the end of a file.
    text +=
      cells.length === 1 && cells[0] === ''
        ? '""'
        : cells.map((c) => quoted(c, separator)).join(separator);
    text += '\r\n';
  }
  return text;
}

const PLAIN_NUMBER = /^[+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?$/;

/**
 * Cells that begin with = + - @, tab or carriage return are run as formulas by spreadsheets; a leading
 * apostrophe makes them text. Plain numbers with a sign stay as they are. (Known as CSV injection; the list
 * of characters is common practice.) A cell that begins with an apostrophe gets another one, so that
 * `withoutGuard` gives back every cell.
 */
function withoutFormula(cell: string): string {
  return /^[=+\-@\t\r']/.test(cell) && !PLAIN_NUMBER.test(cell) ? `'${cell}` : cell;
}

/** The cell that was written formula-safe. */
export function withoutGuard(cell: string): string {
  return cell.startsWith("'") ? cell.slice(1) : cell;
}

function quoted(cell: string, separator: string): string {
  const isPlain = !cell.includes(separator) && !/["\r\n]/.test(cell) && !cell.startsWith('\ufeff');
  return isPlain ? cell : `"${cell.replaceAll('"', '""')}"`;
}

function failed(line: number, message: string): ParsedCsv {
  return { ok: false, faults: [{ line, message }] };
}

class CsvReader {
  readonly #text: string;
  readonly #separator: string;
  #at: number;
  line = 1;

  constructor(text: string, separator: string) {
    this.#text = text;
    this.#separator = separator;
    this.#at = text.charCodeAt(0) === 0xfeff ? 1 : 0;
  }

  isAtEnd(): boolean {
    return this.#at >= this.#text.length;
  }

  /** One row and past its line break. */
  row(): CsvRow | CsvFault {
    const line = this.line;
    const cells: string[] = [];
    for (;;) {
      const cell = this.#text[this.#at] === '"' ? this.#quotedCell() : this.#plainCell();
      if (typeof cell !== 'string') return cell;
      cells.push(cell);
      if (this.isAtEnd() || this.#lineBreak()) return { line, cells };
      this.#at++;
    }
  }

  #plainCell(): string | CsvFault {
    const from = this.#at;
    while (!this.isAtEnd() && this.#text[this.#at] !== this.#separator && !this.#isLineBreak()) {
      const character = this.#text[this.#at];
      if (character === '"')
        return this.#fault('a quote inside a cell that does not begin with one');
      if (character === '\r') return this.#fault('a carriage return without a line feed');
      this.#at++;
    }
    return this.#text.slice(from, this.#at);
  }

  #quotedCell(): string | CsvFault {
    const opened = this.line;
    let cell = '';
    let from = this.#at + 1;
    for (;;) {
      const quote = this.#text.indexOf('"', from);
      if (quote === -1)
        return { line: opened, message: 'a quoted cell begins here and does not end' };
      const part = this.#text.slice(from, quote);
      cell += part;
      this.line += part.split('\n').length - 1;
      this.#at = quote + 1;
      if (this.#text[this.#at] !== '"') break;
      cell += '"';
      from = this.#at + 1;
    }
    const isEnded =
      this.isAtEnd() || this.#text[this.#at] === this.#separator || this.#isLineBreak();
    return isEnded ? cell : this.#fault('text after the closing quote of a cell');
  }

  #isLineBreak(): boolean {
    const character = this.#text[this.#at];
    return character === '\n' || (character === '\r' && this.#text[this.#at + 1] === '\n');
  }

  #lineBreak(): boolean {
    if (!this.#isLineBreak()) return false;
    this.#at += this.#text[this.#at] === '\r' ? 2 : 1;
    this.line++;
    return true;
  }

  #fault(message: string): CsvFault {
    return { line: this.line, message };
  }
}
