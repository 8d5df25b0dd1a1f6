/**
 * One row out of several rounds: medians of the value, of the baseline and of their ratio round by round, and
 * the spread of the value, (largest - smallest) / median.
 */
export function rowOf({ name, unit, target }, rounds) {
  const values = rounds.map((round) => round.value);
  const value = median(values);
  return {
    name,
    value: rounded(value),
    unit,
    ceiling: rounded(median(rounds.map((round) => round.ceiling))),
    ratio: rounded(median(rounds.map((round) => round.value / round.ceiling))),
    target,
    spread: rounded((Math.max(...values) - Math.min(...values)) / value),
  };
}

/**
 * A row that has a limit and no baseline: the ceiling is the limit, the ratio the value over the limit, and the
 * target that it stays at or below 1.
 *
 * @param values one a round; their median is the row's value
 */
export function limitRow({ name, unit, limit }, values) {
  const value = median(values);
  return {
    name,
    value: rounded(value),
    unit: `${unit} (ratio: value / limit)`,
    ceiling: limit,
    ratio: rounded(value / limit),
    target: 1,
    spread: rounded(value === 0 ? 0 : (Math.max(...values) - Math.min(...values)) / value),
  };
}

export function median(values) {
  const sorted = [...values].sort((a, b) => a - b);
  const middle = Math.floor(sorted.length / 2);
  return sorted.length % 2 === 1 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2;
}

/** The smallest of them that so many percent do not exceed. */
export function percentile(values, percent) {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted[Math.max(0, Math.ceil((percent / 100) * sorted.length) - 1)];
}

function rounded(value) {
  return Number(value.toPrecision(3));
}

/** The rows as a Markdown table, which a terminal shows as well as a page. */
export function tableOf(rows) {
  const head = ['name', 'value', 'unit', 'ceiling', 'ratio', 'target', 'spread'];
  const cells = rows.map((row) => head.map((name) => String(row[name] ?? 'none')));
  const widths = head.map((name, i) => Math.max(name.length, ...cells.map((row) => row[i].length)));
  const line = (row) => `| ${row.map((cell, i) => cell.padEnd(widths[i])).join(' | ')} |`;
  const rule = `|${widths.map((width) => '-'.repeat(width + 2)).join('|')}|`;
  return [line(head), rule, ...cells.map(line)].join('\n');
}
