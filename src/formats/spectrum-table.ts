import type { CsvReadForm } from './csv.js';
import { headerFault } from './spectrum-header.js';

/**
 * A measured spectrum as a text table, as instruments and libraries export it: two columns, Raman shift in
 * cm-1 and intensity, separated by comma, semicolon, tab, bar or spaces, with at most one header line, which
 * says so (`headerFault`). Without one the columns are taken for these. Values keep every digit a double can hold.
 */
export interface SpectrumTable {
  /** Strictly ascending; a table that descends throughout is turned round. */
  readonly axis: Float64Array;
  readonly intensity: Float64Array;
}

export interface TableFault {
  /** From 1. */
  readonly line: number;
  /** 1 or 2; 0 for the whole line. */
  readonly column: number;
  readonly message: string;
}

export type ReadTable =
  | {
      readonly ok: true;
      readonly table: SpectrumTable;
      /** Cells of the header line; null when there is none. */
      readonly header: readonly string[] | null;
    }
  | { readonly ok: false; readonly fault: TableFault };

const NUMBER = /^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?$/;

/**
 * Reads a table of at least two and at most `pointsMax` points; stops at the first fault. Without a declared
 * separator the line decides; without a declared decimal mark numbers have a point.
 */
export function readSpectrumTable(
  text: string,
  pointsMax: number,
  form: CsvReadForm = {},
): ReadTable {
  const axis: number[] = [];
  const intensity: number[] = [];
  const isComma = form.decimalMark === 'comma';
  let separator =
    form.separator === undefined ? null : new RegExp(`\\u{${hexOf(form.separator)}}`, 'u');
  let header: readonly string[] | null = null;
  for (const [index, raw] of text
    .replace(/^\ufeff/, '')
    .split(/\r?\n/)
    .entries()) {
    const line = raw.trim();
    if (line === '') continue;
    const written = line.split(separator ?? separatorOf(line, isComma)).map((cell) => cell.trim());
    const cells = isComma ? written.map(withPoint) : written;
    if (axis.length === 0 && !cells.some((cell) => NUMBER.test(cell))) {
      if (header !== null) return failed(index + 1, 0, 'expected at most one header line');
      const fault = headerFault(written);
      if (fault !== null) return failed(index + 1, fault.column, fault.message);
      header = written;
      continue;
    }
    separator ??= separatorOf(line, isComma);
    const fault = faultOfCells(cells, index + 1, isComma);
    if (fault !== null) return { ok: false, fault };
    if (axis.length >= pointsMax) return failed(index + 1, 0, `more than ${pointsMax} points`);
    axis.push(Number(cells[0]));
    intensity.push(Number(cells[1]));
    const broken = axis.length > 2 ? breaksOrder(axis) : axis[0] === axis[1];
    if (broken) {
      const found = `${axis.at(-1)} after ${axis.at(-2)}`;
      return failed(index + 1, 1, `found ${found}, expected an axis that runs one way`);
    }
  }
  if (axis.length < 2) return failed(1, 0, `expected at least 2 points, found ${axis.length}`);
  return { ok: true, table: ascending(axis, intensity), header };
}

function hexOf(separator: string): string {
  return separator.charCodeAt(0).toString(16);
}

function separatorOf(line: string, isComma: boolean): RegExp {
  if (line.includes('\t')) return /\t/;
  if (line.includes(';')) return /;/;
  if (line.includes('|')) return /\|/;
  return line.includes(',') && !isComma ? /,/ : /\s+/;
}

/** A point where a comma is declared is no decimal mark: doubled, it makes the text no number. */
function withPoint(cell: string): string {
  return cell.replaceAll('.', '..').replace(',', '.');
}

function faultOfCells(cells: readonly string[], line: number, isComma: boolean): TableFault | null {
  if (cells.length !== 2) {
    return { line, column: 0, message: `expected two columns, found ${cells.length}` };
  }
  const column = cells.findIndex((cell) => !NUMBER.test(cell) || !Number.isFinite(Number(cell)));
  if (column === -1) return null;
  const cell = cells[column] ?? '';
  const asWritten = isComma ? cell.replace(/(?<!\.)\.(?!\.)/, ',').replaceAll('..', '.') : cell;
  const found = JSON.stringify(asWritten.slice(0, 40));
  const mark = isComma ? 'comma' : 'point';
  return { line, column: column + 1, message: `expected a number with a ${mark}, found ${found}` };
}

function breaksOrder(axis: readonly number[]): boolean {
  const [first = 0, second = 0] = axis;
  const step = (axis.at(-1) ?? 0) - (axis.at(-2) ?? 0);
  return second > first ? step <= 0 : step >= 0;
}

function ascending(axis: number[], intensity: number[]): SpectrumTable {
  const isDescending = (axis[1] ?? 0) < (axis[0] ?? 0);
  if (isDescending) {
    axis.reverse();
    intensity.reverse();
  }
  return { axis: Float64Array.from(axis), intensity: Float64Array.from(intensity) };
}

function failed(line: number, column: number, message: string): ReadTable {
  return { ok: false, fault: { line, column, message } };
}
