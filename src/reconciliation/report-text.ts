import { visibleText } from '../formats/visible-text.js';
import { headingOf, type ReportDocument, type ReportTable } from './report-document.js';

/** A report as lines for people: everything that the other forms hold. */
export function documentText(report: ReportDocument): string {
  return [
    ...(report.banner === null ? [] : [report.banner, '']),
    report.title,
    ...report.facts.map(([name, value]) => `  ${name}: ${visibleText(value)}`),
    ...report.tables.flatMap(tableLines),
    '',
    ...report.cautions,
  ].join('\n');
}

function tableLines(table: ReportTable): string[] {
  const head = ['', headingOf(table)];
  if (table.rows.length === 0) return [...head, `  ${table.none}`];
  // The last column is as long as it is.
  const widths = table.columns.map((column, i) =>
    i === table.columns.length - 1
      ? 0
      : Math.min(WIDTH_MAX, Math.max(column.length, ...table.rows.map((r) => width(r[i])))),
  );
  const line = (cells: readonly string[]) =>
    `  ${cells.map((c, i) => visibleText(c).padEnd(widths[i] ?? 0)).join('  ')}`.trimEnd();
  return [...head, line(table.columns), ...table.rows.map(line)];
}

const WIDTH_MAX = 100;

function width(cell: string | undefined): number {
  return visibleText(cell ?? '').length;
}
