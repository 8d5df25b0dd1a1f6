import { headingOf, type ReportDocument, type ReportTable } from './report-document.js';

/** A report as lines for people: everything that the other forms hold. */
export function documentText(report: ReportDocument): string {
  return [
    ...(report.banner === null ? [] : [report.banner, '']),
    report.title,
    ...report.facts.map(([name, value]) => `  ${name}: ${oneLine(value)}`),
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
    `  ${cells.map((c, i) => oneLine(c).padEnd(widths[i] ?? 0)).join('  ')}`.trimEnd();
  return [...head, line(table.columns), ...table.rows.map(line)];
}

const WIDTH_MAX = 100;

function width(cell: string | undefined): number {
  return oneLine(cell ?? '').length;
}

/** What a label holds of line breaks and terminal controls is shown by its code. */
function oneLine(text: string): string {
  // biome-ignore lint/suspicious/noControlCharactersInRegex: they are what is looked for
  return text.replace(/[\u0000-\u001f\u007f-\u009f\u2028\u2029]/gu, (c) => {
    return `\\u{${c.codePointAt(0)?.toString(16) ?? ''}}`;
  });
}
