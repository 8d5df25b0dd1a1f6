import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { listRules } from '../../src/checks/rule-list.js';
import { tableRows } from '../support/markdown.js';
import { repositoryRoot } from '../support/shared.js';

const page = readFileSync(join(repositoryRoot(), 'docs', 'checks.md'), 'utf8');
const rows = tableRows(page, ['Code', 'Effect', 'Needs', 'Limit', 'Meaning', 'What to do']);
const rules = listRules();

describe('rules and docs/checks.md', () => {
  test('page and program list the same rules in the same order, each once', () => {
    const codes = rules.map((rule) => rule.code);
    expect(rows.map(([code]) => code)).toEqual(codes.map((code) => `\`${code}\``));
    expect(new Set(codes).size).toBe(codes.length);
    expect(codes.length).toBeGreaterThan(0);
  });

  test('page and program say the same about each rule', () => {
    for (const [index, [, effect, needs, limit, meaning, advice]] of rows.entries()) {
      const rule = rules[index];
      expect({ needs, limit, meaning, advice }).toEqual({
        limit: rule?.limit ?? '–',
        needs: rule?.needs,
        meaning: rule?.meaning,
        advice: rule?.advice,
      });
      if (rule?.refuses) expect(effect).toBe('refuses the bytes');
      else if (rule?.severity === 'hold') expect(effect).toBe(`holds the ${rule.scope}`);
      else expect(effect).toBe(`remark on the ${rule?.scope}`);
    }
  });
});
