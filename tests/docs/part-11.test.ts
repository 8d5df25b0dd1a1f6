import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { tableRows } from '../support/markdown.js';
import { repositoryRoot } from '../support/shared.js';

const root = repositoryRoot();
const HEADING = ['Clause', 'Asks', 'Drumline', 'The site', 'Shown by'];
const page = readFileSync(join(root, 'docs', 'part-11.md'), 'utf8');
const [, part11 = '', annex11 = ''] = page.split(/^## /m);

const rows = [tableRows(`## ${part11}`, HEADING), tableRows(`## ${annex11}`, HEADING)];

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
    let named = 0;
    for (const [clause, , , , shown = ''] of rows.flat()) {
      if (shown === '_None_') continue;
      for (const one of shown.split('; ')) {
        const [, file = '', titles] = /^`(tests\/[^`]+)`(?:: (.+))?$/.exec(one) ?? [];
        expect(existsSync(join(root, file)), `${clause}: ${one}`).toBe(true);
        const source = readFileSync(join(root, file), 'utf8');
        for (const title of (titles ?? '').split(' · ').filter((t) => t !== '')) {
          expect(source, `${clause}: ${file} has no test named "${title}"`).toContain(title);
          named += 1;
        }
      }
    }
    expect(named).toBeGreaterThan(20);
  });

  test('marks what was not read, and says that the site complies', () => {
    const unread = (rows[0] ?? []).filter(([clause = '']) => /^11\.(10|50|70|100)/.test(clause));
    expect(unread.every(([clause = '']) => clause.endsWith('[mem]'))).toBe(true);
    expect(page).toContain('a site complies');
  });
});
