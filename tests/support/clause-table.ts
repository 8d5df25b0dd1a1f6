import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect } from 'vitest';
import { repositoryRoot } from './shared.js';

/** Tables of a text's clauses: what each asks, what answers it, and the tests that show it. */
export const CLAUSE_HEADING = ['Clause', 'Asks', 'Drumline', 'The site', 'Shown by'];

/** Fails unless each test named in the last column is there, by file and by title; returns the count of titles. */
export function checkNamedTests(rows: readonly (readonly string[])[]): number {
  const root = repositoryRoot();
  let named = 0;
  for (const [clause, , , , shown = ''] of rows) {
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
  return named;
}
