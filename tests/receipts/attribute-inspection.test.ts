import { describe, expect, it } from 'vitest';
import { addMs, type Instant } from '../../src/formats/instant.js';
import {
  carriedPlans,
  findAttributeRules,
  type Inspection,
  isRejected,
  judgeInspections,
  planAttributes,
  type ReceiptAttributePlan,
} from '../../src/receipts/attribute-inspection.js';
import type { AttributePlanRule } from '../../src/site/site-folder.js';

const now = 1_000_000_000 as Instant;
const later = addMs(now, 86_400_000);
const subject = { material: 'M-1', manufacturer: 'Maker A', supplier: 'Trader B' };

function rule(changes: Partial<AttributePlanRule> = {}): AttributePlanRule {
  return {
    material: '*',
    manufacturer: null,
    supplier: null,
    attribute: 'labels',
    level: 'II',
    aql: '1.0',
    decision: 'D-1',
    expires: later,
    ...changes,
  };
}

function plan(changes: Partial<ReceiptAttributePlan> = {}): ReceiptAttributePlan {
  const base = { attribute: 'labels', level: 'II', aql: '1.0', decision: 'D-1' } as const;
  return { ...base, foundAt: now, ...changes };
}

function count(inspected: number, nonconforming: number, changes: Partial<Inspection> = {}) {
  const id = `${inspected}/${nonconforming}`;
  return {
    id,
    attribute: 'labels',
    inspected,
    nonconforming,
    rejected: false,
    ...changes,
  } as const;
}

describe('the rule in force for an attribute', () => {
  it('is the most specific one of each attribute that has not expired', () => {
    const rules = [
      rule({ decision: 'all' }),
      rule({ decision: 'supplier', supplier: 'Trader B' }),
      rule({ decision: 'maker', manufacturer: 'Maker A' }),
      rule({ decision: 'material', material: 'M-1', aql: '0.65' }),
      rule({ decision: 'other', material: 'M-2', manufacturer: 'Maker A' }),
      rule({ decision: 'over', material: 'M-1', manufacturer: 'Maker A', expires: now }),
      rule({ decision: 'damage', attribute: 'damage', level: 'S-3', aql: '2.5' }),
    ];
    const found = (of: typeof subject | { material: null; manufacturer: null; supplier: null }) =>
      findAttributeRules(rules, of, now).map((r) => r.decision);
    expect(found(subject)).toEqual(['material', 'damage']);
    expect(found({ ...subject, material: 'M-9' })).toEqual(['maker', 'damage']);
    expect(found({ ...subject, material: 'M-9', manufacturer: 'X' })).toEqual([
      'supplier',
      'damage',
    ]);
    expect(found({ material: null, manufacturer: null, supplier: null })).toEqual([]);
  });
});

describe('the attribute plans of a receipt', () => {
  const rules = [
    rule({ decision: 'A', manufacturer: 'Maker A' }),
    rule({ decision: 'all', aql: '4.0' }),
  ];
  const asked = (changes: Partial<Parameters<typeof planAttributes>[0]>) =>
    planAttributes({ rules, subject, before: null, isUnderWay: false, now, ...changes }).map(
      (p) => `${p.decision} ${p.rejectedIn ?? '-'}`,
    );
  const before = { subject, plans: [plan({ decision: 'A' })] };
  const other = { ...subject, manufacturer: 'Maker C' };

  it('are fixed at its announcement, whatever the rules become', () => {
    expect(asked({})).toEqual(['A -']);
    expect(asked({ before, rules: [] })).toEqual(['A -']);
    expect(asked({ before: { subject, plans: [] } })).toEqual([]);
  });

  it('follow a corrected manufacturer, and drop nothing once something is under way', () => {
    expect(asked({ before, subject: other })).toEqual(['all -']);
    expect(asked({ before, subject: other, isUnderWay: true })).toEqual(['A -', 'all -']);
    expect(asked({ before, subject: other, isUnderWay: true, rules: [] })).toEqual(['A -']);
    expect(asked({ before: { subject: other, plans: before.plans }, isUnderWay: true })).toEqual([
      'A -',
    ]);
  });

  it('keep what was rejected of the receipt they came of', () => {
    const [carried] = carriedPlans('R-0', [plan()], 200, [count(50, 2)]);
    expect(carried).toMatchObject({ rejectedIn: 'R-0' });
    expect(carriedPlans('R-0', [plan()], 200, [count(50, 1)])).toEqual([plan()]);
    const came = { subject, plans: carried ? [carried] : [] };
    expect(asked({ before: came, subject: other })).toEqual(['D-1 R-0', 'all -']);
    expect(judgeInspections(carried ?? plan(), 200, [count(50, 0)])).toEqual({
      state: 'rejected-before',
      receiptId: 'R-0',
    });
  });
});

describe('what was inspected', () => {
  // n and Ac of MIL-STD-105E tables I and II-A (as ISO 2859-1), worked examples of the project's sampling notes:
  // lot 200, II, 1.0: 50, Ac 1; lot 200, II, 0.65: 20, Ac 0; lot 6, II, 2.5: 5, Ac 0; lot 6, II, 1.0: all 6, Ac 0.
  it.each([
    [200, '1.0', 50, 1],
    [200, '0.65', 20, 0],
    [6, '2.5', 5, 0],
    [6, '1.0', 6, 0],
  ] as const)(
    'of %i containers at AQL %s is accepted from %i with at most %i',
    (lot, aql, n, ac) => {
      const judge = (...entries: Inspection[]) =>
        judgeInspections(plan({ aql }), lot, entries).state;
      expect(judge()).toBe('missing');
      expect(judge(count(n - 1, 0))).toBe('missing');
      expect(judge(count(n - 1, 0), count(n - 1, 0))).toBe('missing');
      expect(judge(count(n, ac))).toBe('accepted');
      expect(judge(count(n, ac + 1))).toBe('rejected');
      expect(judge(count(ac + 1, ac + 1))).toBe('rejected');
      expect(judge(count(n, ac, { attribute: 'damage' }))).toBe('missing');
    },
  );

  it('counts by its worst entry, in every order', () => {
    const [good, bad] = [count(50, 0), count(50, 2)];
    expect(judgeInspections(plan(), 200, [good, bad]).state).toBe('rejected');
    expect(judgeInspections(plan(), 200, [bad, good, good]).state).toBe('rejected');
  });

  it('stays rejected when more containers come, by whose number more would be accepted', () => {
    // Lot 600, II, 1.0: letter J, 80, Ac 2 (the same tables).
    expect(isRejected([plan()], 200, count(80, 2))).toBe(true);
    expect(isRejected([plan()], 600, count(80, 2))).toBe(false);
    expect(judgeInspections(plan(), 600, [count(80, 2, { rejected: true })]).state).toBe(
      'rejected',
    );
  });

  it('says nothing of a receipt without containers', () => {
    expect(judgeInspections(plan(), 0, [count(1, 0)]).state).toBe('no-plan');
  });
});
