import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { DISCREPANCY_RULES } from '../../src/reconciliation/discrepancies.js';
import { tableRows } from '../support/markdown.js';
import { repositoryRoot } from '../support/shared.js';

describe('docs/reconciliation.md', () => {
  it('says of every class what the service holds, and of no other', () => {
    const page = readFileSync(join(repositoryRoot(), 'docs', 'reconciliation.md'), 'utf8');
    const listed = tableRows(page, ['class', 'means', 'closed only by', 'owner', 'target']);
    const held = Object.entries(DISCREPANCY_RULES).map(([name, rule]) => [
      `\`${name}\``,
      rule.title,
      rule.closedBy,
      rule.owner,
      `${rule.targetMs / 3_600_000} h`,
    ]);
    expect(listed).toEqual(held);
  });
});
