import type { CodeTable } from './mapping-document.js';

export type CodeTableRead =
  | { readonly ok: true; readonly table: CodeTable }
  | {
      readonly ok: false;
      readonly line: number;
      readonly message: string;
      readonly remedy: string;
    };

const ROWS_MAX = 10_000;

/**
 * Reads a code table file: a header `value,code`, then one row a line, neither side quoted or empty.
 * Lines that start with `#` are remarks. A value that needs a comma belongs into the mapping file's `rows`.
 */
export function readCodeTable(text: string): CodeTableRead {
  const table = Object.create(null) as Record<string, string>;
  let isHeaderSeen = false;
  let rows = 0;
  for (const [index, line] of text.split(/\r?\n/).entries()) {
    if (line === '' || line.startsWith('#')) continue;
    const refuse = (message: string, remedy: string): CodeTableRead => ({
      ok: false,
      line: index + 1,
      message,
      remedy,
    });
    const cells = line.split(',');
    const [value = '', code = ''] = cells;
    if (!isHeaderSeen) {
      if (line !== 'value,code')
        return refuse(`the header is ${JSON.stringify(line)}`, 'Write value,code.');
      isHeaderSeen = true;
    } else if (cells.length !== 2 || value === '' || code === '' || line.includes('"')) {
      return refuse(
        `expected one value and one code, found ${JSON.stringify(line.slice(0, 80))}`,
        'Write value,code without quotes; a table has no default row.',
      );
    } else if (value in table) {
      return refuse(
        `the value ${JSON.stringify(value)} has a row already`,
        'Keep one of the two rows.',
      );
    } else if (rows >= ROWS_MAX) {
      return refuse(`more than ${ROWS_MAX} rows`, 'Split the table.');
    } else {
      table[value] = code;
      rows += 1;
    }
  }
  if (rows === 0) {
    return {
      ok: false,
      line: 1,
      message: 'the table has no rows',
      remedy: 'Add one row for each value.',
    };
  }
  return { ok: true, table };
}
