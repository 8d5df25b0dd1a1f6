/**
 * Cells of the Markdown tables with exactly this heading row, in order; `\|` stands for a bar. Throws when
 * there is no such table, so that a renamed column cannot make a comparison pass over nothing.
 */
export function tableRows(page: string, heading: readonly string[]): string[][] {
  const lines = page.split('\n');
  const rows: string[][] = [];
  let found = false;
  for (let i = 0; i < lines.length; i += 1) {
    if (cells(lines[i] ?? '').join('|') !== heading.join('|')) continue;
    found = true;
    for (let j = i + 2; (lines[j] ?? '').startsWith('|'); j += 1) rows.push(cells(lines[j] ?? ''));
  }
  if (!found) throw new Error(`no table with the heading ${heading.join(' | ')}`);
  return rows;
}

function cells(line: string): string[] {
  if (!line.startsWith('|')) return [];
  return line
    .trim()
    .slice(1, -1)
    .split(/(?<!\\)\|/)
    .map((cell) => cell.trim().replaceAll('\\|', '|'));
}
