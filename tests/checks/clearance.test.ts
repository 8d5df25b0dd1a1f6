import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  againstClearing,
  CLEARANCE,
  clearanceOf,
  type HeldResult,
} from '../../src/checks/clearance.js';
import { listRules } from '../../src/checks/rule-list.js';
import { tableRows } from '../support/markdown.js';
import { repositoryRoot } from '../support/shared.js';

const codes = listRules()
  .filter((rule) => rule.severity === 'hold' && rule.scope === 'result')
  .map((rule) => rule.code);

const held: HeldResult = {
  contrary: false,
  recheck: 'agrees',
  hasRecord: true,
  bundleHeldBy: [],
  heldBy: ['time-offset'],
};

describe('what a reviewer may clear', () => {
  it('is said of every finding that holds a result, and of no other', () => {
    expect([...CLEARANCE.keys()].sort()).toEqual([...codes].sort());
  });

  it('is what docs/review.md lists, both ways', () => {
    const page = readFileSync(join(repositoryRoot(), 'docs', 'review.md'), 'utf8');
    const rows = tableRows(page, ['Finding', 'Clearing', 'Why']);
    const listed = [...CLEARANCE].map(([code, { clearance, why }]) => [
      `\`${code}\``,
      clearance,
      why,
    ]);
    expect(rows).toEqual(listed);
  });

  it('is a pass that nothing speaks against but the clock', () => {
    expect(againstClearing(held)).toEqual([]);
  });

  it.each<[string, Partial<HeldResult>]>([
    ['whose bundle is held', { bundleHeldBy: ['manifest-counts'] }],
    ['without a record', { hasRecord: false }],
    ['that the recheck disagrees with', { recheck: 'disagrees', heldBy: ['recheck-disagrees'] }],
    ['that cannot be rechecked', { recheck: 'not-recomputable' }],
    ['whose recheck says nothing', { recheck: null }],
    ['by a method that is not approved', { heldBy: ['time-offset', 'method-not-approved'] }],
    ['held by a finding nobody knows', { heldBy: ['from-a-later-version'] }],
  ])('is no result %s', (_what, changes) => {
    expect(againstClearing({ ...held, ...changes })).not.toEqual([]);
  });

  it('rule 8: a contrary result may be cleared against its recheck, for it only counts against', () => {
    const contrary = {
      ...held,
      contrary: true,
      recheck: 'disagrees',
      heldBy: ['recheck-disagrees'],
    };
    expect(againstClearing(contrary as HeldResult)).toEqual([]);
  });

  it('never grows by a further finding', () => {
    const some = fc.subarray(codes);
    const result = fc.record<HeldResult>({
      contrary: fc.boolean(),
      recheck: fc.constantFrom('agrees', 'disagrees', 'not-recomputable', null),
      hasRecord: fc.boolean(),
      bundleHeldBy: fc.subarray(['schema', 'part-digest']),
      heldBy: some,
    });
    fc.assert(
      fc.property(result, fc.constantFrom(...codes), (before, code) => {
        const after = againstClearing({ ...before, heldBy: [...before.heldBy, code] });
        expect(after).toEqual(expect.arrayContaining(againstClearing(before)));
        if (clearanceOf(code).clearance === 'never') expect(after).not.toEqual([]);
      }),
    );
  });
});
