import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { dirname, join, relative } from 'node:path';
import { describe, expect, test } from 'vitest';
import { repositoryRoot } from '../support/shared.js';

const root = repositoryRoot();

const pages = [
  'README.md',
  'DEVELOPERS.md',
  'CHANGELOG.md',
  ...readdirSync(join(root, 'docs'), { recursive: true, encoding: 'utf8' })
    .filter((name) => name.endsWith('.md'))
    .map((name) => join('docs', name)),
];

describe('documentation', () => {
  test.each(pages)('%s links only to what is there', (page) => {
    const text = readFileSync(join(root, page), 'utf8');
    const targets = [...text.matchAll(/\]\(([^)#\s]+)(?:#[^)]*)?\)/g)].map((m) => m[1] ?? '');
    const missing = targets
      .filter((target) => !/^[a-z]+:/.test(target))
      .map((target) => relative(root, join(root, dirname(page), target)))
      .filter((path) => !existsSync(join(root, path)));
    expect(missing).toEqual([]);
  });

  test('docs/promises.md names only tests that are there, by file and by name', () => {
    const text = readFileSync(join(root, 'docs', 'promises.md'), 'utf8');
    const rows = [...text.matchAll(/^\s*- `(tests\/[^`]+)`(?:: (.+))?$/gm)];
    expect(rows.length).toBeGreaterThan(10);
    for (const [, file = '', names] of rows) {
      expect(existsSync(join(root, file)), file).toBe(true);
      const source = readFileSync(join(root, file), 'utf8');
      for (const name of (names ?? '').split(' · ').filter((part) => part !== '')) {
        expect(source, `${file} has no test named "${name}"`).toContain(name);
      }
    }
  });
});
