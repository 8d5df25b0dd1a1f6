import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { repositoryRoot } from '../support/shared.js';

/** Rules by which a wrong lot could be released: each closes a path, and a test named after it defends that. */
const RULES = Array.from({ length: 31 }, (_, i) => i + 1);

/** Titles of tests and of groups of tests, wherever their text begins after the bracket. */
const TITLE = /\b(?:it|test|describe)(?:\.\w+(?:\([^)]*\))?)*\(\s*(['"`])(.*?)\1/gs;

it.each(RULES)('a test is named after release-safety rule %i', (rule) => {
  const named = new RegExp(`\\brules? (?:\\d+ and )?${rule}\\b`, 'i');
  expect(titles.filter((title) => named.test(title))).not.toEqual([]);
});

const root = join(repositoryRoot(), 'tests');
const titles = readdirSync(root, { recursive: true, encoding: 'utf8' })
  .filter((file) => file.endsWith('.test.ts') && !file.endsWith('release-safety-rules.test.ts'))
  .flatMap((file) => [...readFileSync(join(root, file), 'utf8').matchAll(TITLE)])
  .map((match) => match[2] ?? '');
