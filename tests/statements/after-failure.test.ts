import { describe, expect, it } from 'vitest';
import type { FurtherRule } from '../../src/site/site-folder.js';
import { evaluateStatement } from '../../src/statements/evaluate-statement.js';
import type { ResultFact, StatementFacts } from '../../src/statements/facts.js';
import {
  confirmedDeliveries,
  facts as conforming,
  fail,
  now,
  pass,
  receipt,
  site,
} from './conforming-facts.js';

/** Rule 4: how many more containers are identified after one failed, as the plan in force says. */

const LABELS = Array.from({ length: 9 }, (_, i) => `D-0${i + 1}`);
const CHOSEN = ['D-01', 'D-02', 'D-03', 'D-04'];

function planned(afterFailure: FurtherRule | undefined, results: ResultFact[]): StatementFacts {
  const plan = {
    kind: 'sqrt' as const,
    rounding: 'up' as const,
    ...(afterFailure === undefined ? {} : { afterFailure }),
    decision: 'D-002',
    containers: 9,
    required: 4,
    seed: 'seed',
    foundAt: now,
  };
  const [rule] = site.plans;
  if (!rule) throw new Error('no plan');
  const { afterFailure: _, ...rest } = rule;
  return {
    ...conforming,
    site: {
      ...site,
      plans: [
        {
          ...rest,
          plan: 'sqrt',
          ...(afterFailure === undefined ? {} : { afterFailure }),
        },
      ],
    },
    receipt: { ...receipt, plan, dockCount: 9 },
    containers: LABELS.map((label) => ({ label, required: CHOSEN.includes(label) })),
    results,
    deliveries: confirmedDeliveries(results),
  };
}

const passes = CHOSEN.map((label) => pass(label));

describe('after a failure', () => {
  it('every container is required, unless the site wrote a number for each that failed', () => {
    const before = evaluateStatement(planned(undefined, passes), now);
    expect(before.outcome).toBe('conforms');
    expect(before.plan).toEqual({ kind: 'sqrt-up', required: 4, decision: 'D-002' });
    const failed = [...passes, fail('D-01')];
    for (const [rule, further] of [
      [undefined, 5],
      ['every', 5],
      [2, 2],
      [20, 5],
    ] as const) {
      const { plan, conditions } = evaluateStatement(planned(rule, failed), now);
      expect(plan).toEqual({
        kind: 'sqrt-up',
        required: 4 + further,
        decision: 'D-002',
        afterFailure: { rule: rule ?? 'every', failures: 1, further },
      });
      expect(conditions.find((c) => c.code === 'coverage')?.state).toBe('unmet');
    }
  });

  it('no number of passes makes up for it', () => {
    const all = [...LABELS.map((label) => pass(label)), fail('D-01')];
    const { outcome, conditions } = evaluateStatement(planned(undefined, all), now);
    expect(outcome).toBe('does-not-conform');
    expect(conditions.find((c) => c.code === 'coverage')?.state).toBe('met');
  });

  it('counts a container once, a result without a container by itself, and none whose cause is signed', () => {
    const further = (...results: ResultFact[]) =>
      evaluateStatement(planned(1, [...passes, ...results]), now).plan?.afterFailure?.further;
    const again = fail('D-01', { rowId: 'again' });
    expect(further(fail('D-01'), again)).toBe(1);
    expect(further(fail('D-01'), fail('D-02'))).toBe(2);
    expect(further(fail('D-01'), fail('D-02', { containerLabel: null }))).toBe(2);
    const cause = { signatureId: 's', isValid: true, changed: [] };
    expect(further(fail('D-01', { cause }))).toBeUndefined();
    expect(further(fail('D-01', { cause: { ...cause, isValid: false } }))).toBe(1);
  });

  it('a rule that the site tightened since keeps the receipt from conforming', () => {
    const loose = planned(2, passes);
    expect(evaluateStatement(loose, now).outcome).toBe('conforms');
    const { site: tightened } = planned(undefined, passes);
    const { outcome, conditions } = evaluateStatement({ ...loose, site: tightened }, now);
    expect(outcome).toBe('incomplete');
    expect(conditions.find((c) => c.code === 'plan-in-force')?.found).toContain(
      'the site tightened what follows a failure to every',
    );
  });
});

describe('rule 16: a rejected container', () => {
  const rejected = (changes: { isValid?: boolean; splitOffTo?: string | null }) => {
    const rejection = { container: 'D-02', signatureId: 's', isValid: true, splitOffTo: null };
    const draft = evaluateStatement(
      { ...conforming, receipt: { ...receipt, rejections: [{ ...rejection, ...changes }] } },
      now,
    );
    return [draft.outcome, draft.conditions.find((c) => c.code === 'receipt-undivided')?.found];
  };

  it('contradicts its receipt until ERP has split it off, and again once the signature is void', () => {
    const waits = 'container D-02 was rejected and ERP has not split it off';
    expect(rejected({})).toEqual(['does-not-conform', waits]);
    expect(rejected({ isValid: false })).toEqual(['does-not-conform', waits]);
    expect(rejected({ splitOffTo: 'R-2' })[0]).toBe('conforms');
    expect(rejected({ splitOffTo: 'R-2', isValid: false })).toEqual([
      'does-not-conform',
      'container D-02 went to R-2 by a rejection whose signature is void',
    ]);
  });

  it('never conforms where it went', () => {
    const origin = {
      receiptId: 'R-0',
      kind: 'split-off' as const,
      isSigned: true,
      outcome: 'conforms',
      hadStop: false,
      refused: false,
      refusedSince: false,
      disagreed: false,
      rejected: [],
      contrarySince: 0,
      left: { contrary: 0, unplaced: 0, open: 0 },
    };
    const lineage = { ...receipt.lineage, origins: [origin] };
    const draft = evaluateStatement({ ...conforming, receipt: { ...receipt, lineage } }, now);
    expect(draft.outcome).toBe('does-not-conform');
  });
});
