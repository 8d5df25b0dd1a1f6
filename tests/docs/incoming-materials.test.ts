import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { CLAUSE_HEADING, checkNamedTests } from '../support/clause-table.js';
import { tableRows } from '../support/markdown.js';
import { repositoryRoot } from '../support/shared.js';

const page = readFileSync(join(repositoryRoot(), 'docs', 'incoming-materials.md'), 'utf8');
const [, part211 = '', annex8 = ''] = page.split(/^## /m);
const rows = [
  tableRows(`## ${part211}`, CLAUSE_HEADING),
  tableRows(`## ${annex8}`, CLAUSE_HEADING),
];

describe('docs/incoming-materials.md', () => {
  test('has every clause of 211.84, and 1 to 5 of Annex 8', () => {
    const clauses = (rows[0] ?? []).map(([clause = '']) => clause.replace(/ \[mem\]$/, ''));
    const letters = ['a', 'b', ...[1, 2, 3, 4, 5, 6].map((n) => `c)(${n}`), 'd)(1', 'd)(2', 'e'];
    expect(clauses).toEqual(letters.map((letter) => `211.84(${letter})`));
    const annex = (rows[1] ?? []).map(([clause = '']) => clause.replace(/ \[mem\]$/, ''));
    expect([...new Set(annex)]).toEqual(['1', '2', '3', '4', '5']);
  });

  test('names only tests that are there, by file and by title', () => {
    expect(checkNamedTests(rows.flat())).toBeGreaterThan(5);
  });

  test('leaves the release to the quality unit', () => {
    expect(page).toContain('the quality unit releases');
  });
});
