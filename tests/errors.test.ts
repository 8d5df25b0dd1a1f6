import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { ERRORS, type ErrorEntry } from '../src/error-registry.js';
import { tableRows } from './support/markdown.js';
import { repositoryRoot } from './support/shared.js';

const page = readFileSync(join(repositoryRoot(), 'docs', 'errors.md'), 'utf8');
const rows = tableRows(page, ['Code', 'Meaning', 'What to do', 'HTTP', 'Log level']);
const registry = new Map<string, ErrorEntry>(Object.entries(ERRORS));

describe('error registry and docs/errors.md', () => {
  test('the page lists every code of the registry', () => {
    const listed = new Set(rows.map(([code]) => code));
    expect([...registry.keys()].filter((code) => !listed.has(`\`${code}\``))).toEqual([]);
  });

  test('the registry holds every code of the page, once', () => {
    const listed = rows.map(([code]) => (code ?? '').replaceAll('`', ''));
    expect(listed.filter((code) => !registry.has(code))).toEqual([]);
    expect(new Set(listed).size).toBe(listed.length);
  });

  test('page and registry say the same about each code', () => {
    for (const [code, meaning, remedy, status, level] of rows) {
      const entry = registry.get((code ?? '').replaceAll('`', ''));
      expect({ code, meaning, remedy, status, level }).toEqual({
        code,
        meaning: entry?.meaning,
        remedy: entry?.remedy,
        status: entry?.status === null ? '–' : String(entry?.status),
        level: entry?.level,
      });
    }
    expect(rows.length).toBeGreaterThan(0);
  });

  test('every entry is a sentence of meaning, a sentence of remedy and a status a client understands', () => {
    for (const [code, entry] of registry) {
      expect(code).toMatch(/^[a-z]+(-[a-z]+)*$/);
      expect(entry.meaning, code).toMatch(/^[A-Z].*\.$/);
      expect(entry.remedy, code).toMatch(/^[A-Z].*\.$/);
      if (entry.status !== null) expect(entry.status, code).toBeGreaterThanOrEqual(400);
    }
  });
});
