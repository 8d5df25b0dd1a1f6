import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { CLAUSE_HEADING, checkNamedTests } from '../support/clause-table.js';
import { tableRows } from '../support/markdown.js';
import { repositoryRoot } from '../support/shared.js';

const root = repositoryRoot();
const page = readFileSync(join(root, 'docs', 'part-11.md'), 'utf8');
const [, part11 = '', annex11 = ''] = page.split(/^## /m);

const rows = [
  tableRows(`## ${part11}`, CLAUSE_HEADING),
  tableRows(`## ${annex11}`, CLAUSE_HEADING),
];

describe('docs/part-11.md', () => {
  test('has every clause of 11.10, 11.50, 11.70, 11.100, 11.200 and 11.300, and 1 to 17 of Annex 11', () => {
    const clauses = (rows[0] ?? []).map(([clause = '']) => clause.replace(/ \[mem\]$/, ''));
    for (const letter of 'abcdefghijk') expect(clauses).toContain(`11.10(${letter})`);
    for (const clause of ['11.50(a)', '11.50(b)', '11.70', '11.200(a)(1)(i)', '11.200(b)']) {
      expect(clauses).toContain(clause);
    }
    for (const letter of 'abc') expect(clauses).toContain(`11.100(${letter})`);
    for (const letter of 'abcde') expect(clauses).toContain(`11.300(${letter})`);
    expect((rows[1] ?? []).map(([clause]) => clause)).toEqual(
      Array.from({ length: 17 }, (_, i) => String(i + 1)),
    );
  });

  test('names only tests that are there, by file and by title', () => {
    const named = checkNamedTests(rows.flat());
    expect(named).toBeGreaterThan(20);
  });

  test('marks what was not read, and says that the site complies', () => {
    const unread = (rows[0] ?? []).filter(([clause = '']) => /^11\.(10|50|70|100)/.test(clause));
    expect(unread.every(([clause = '']) => clause.endsWith('[mem]'))).toBe(true);
    expect(page).toContain('a site complies');
  });
});
