import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { Inspection, ReceiptAttributePlan } from '../../src/receipts/attribute-inspection.js';
import { carriedPlans, isRejected } from '../../src/receipts/attribute-inspection.js';
import type { Condition, ConditionState } from '../../src/records/statement-record.js';
import {
  CONDITION_CODES,
  evaluateStatement,
  outcomeOf,
} from '../../src/statements/evaluate-statement.js';
import type { StatementFacts } from '../../src/statements/facts.js';
import { decideStop } from '../../src/statements/stop-decision.js';
import { signed } from '../signatures/signed.js';
import { facts, now, receipt, site, time } from './conforming-facts.js';

/**
 * Two drums are a lot of 2: letter A at level II. MIL-STD-105E tables I and II-A (as ISO 2859-1): AQL 6.5 takes 2 with
 * Ac 0, AQL 2.5 follows the arrow to 5 with Ac 0, so all there are.
 */
const plans: readonly ReceiptAttributePlan[] = [
  { attribute: 'labels', level: 'II', aql: '2.5', decision: 'D-002', foundAt: time('08:05') },
  { attribute: 'damage', level: 'II', aql: '6.5', decision: 'D-002', foundAt: time('08:05') },
];

function entry(attribute: 'labels' | 'damage', inspected: number, nonconforming: number) {
  const id = `${attribute} ${inspected}/${nonconforming}`;
  const count = { id, attribute, inspected, nonconforming };
  return { ...count, rejected: isRejected(plans, 2, count) };
}

function asked(...inspections: Inspection[]): StatementFacts {
  return { ...facts, receipt: { ...receipt, attributePlans: plans }, inspections };
}

function condition(of: StatementFacts): Condition | undefined {
  return evaluateStatement(of, now).conditions.find((c) => c.code === 'attribute-inspections');
}

const GOOD = [entry('labels', 2, 0), entry('damage', 2, 0)];

describe('attribute inspections in a statement', () => {
  it('are no condition of it where none is asked for', () => {
    const draft = evaluateStatement(facts, now);
    expect(draft.conditions.map((c) => c.code)).toEqual(CONDITION_CODES);
    // Not even with entries left over: nothing of it is part of what is signed.
    expect(evaluateStatement({ ...facts, inspections: GOOD }, now)).toEqual(draft);
    expect(JSON.stringify(draft)).not.toContain('inspection');
  });

  it('keep it incomplete while they are missing or too few, and name what is asked for', () => {
    expect(evaluateStatement(asked(), now).outcome).toBe('incomplete');
    expect(condition(asked(entry('labels', 1, 0)))).toEqual({
      code: 'attribute-inspections',
      state: 'unmet',
      found:
        'labels: 1 inspected, the plan asks for 2 of 2 (level II, AQL 2.5); damage: not inspected, the plan asks for 2 of 2 (level II, AQL 6.5)',
      evidence: [
        { kind: 'decision', id: 'D-002' },
        { kind: 'inspection', id: 'labels 1/0' },
      ],
    });
  });

  it('let it conform when every plan accepts, by the decision they rest on', () => {
    const draft = evaluateStatement(asked(...GOOD), now);
    expect(draft.outcome).toBe('conforms');
    expect(condition(asked(...GOOD))?.found).toBe(
      'labels: 0 of 2 nonconforming, up to 0 of 2 accepted (level II, AQL 2.5); damage: 0 of 2 nonconforming, up to 0 of 2 accepted (level II, AQL 6.5)',
    );
    const without = { ...asked(...GOOD), site: { ...site, decisions: [] } };
    expect(condition(without)?.state).toBe('unmet');
  });

  it('suspend what conformed and do not withdraw it when a plan rejects, whatever comes after', () => {
    const worst = asked(...GOOD, entry('damage', 2, 1), entry('damage', 2, 0));
    const draft = evaluateStatement(worst, now);
    expect(condition(worst)).toMatchObject({
      state: 'unmet',
      found: expect.stringContaining('rejected by the plan') as string,
    });
    expect(draft.outcome).toBe('incomplete');
    const isNews = { standing: null, isIneffective: false, isNews: true };
    expect(decideStop({ hasConformed: true, draft, ...isNews })).toMatchObject({
      kind: 'suspend',
      cause: 'transition',
    });
  });

  it('conform only if each plan is accepted, over every combination of up to four entries', () => {
    const kinds = (['labels', 'damage'] as const).flatMap((attribute) =>
      [
        [1, 0],
        [1, 1],
        [2, 0],
        [2, 1],
      ].map(([n = 0, bad = 0]) => entry(attribute, n, bad)),
    );
    const choices = [null, ...kinds];
    let conforming = 0;
    for (let n = 0; n < choices.length ** 4; n += 1) {
      const entries = [0, 1, 2, 3].flatMap(
        (at) => choices[Math.floor(n / choices.length ** at) % choices.length] ?? [],
      );
      const isAccepted = plans.every(({ attribute }) => {
        const own = entries.filter((e) => e.attribute === attribute);
        return own.every((e) => e.nonconforming === 0) && own.some((e) => e.inspected === 2);
      });
      const met = condition(asked(...entries))?.state === 'met';
      if (met !== isAccepted) throw new Error(JSON.stringify(entries));
      if (met) conforming += 1;
    }
    expect(conforming).toBeGreaterThan(100);
  });

  it('excuse no state but met, beside every other condition met', () => {
    const others = CONDITION_CODES.map(
      (code): Condition => ({ code, state: 'met', found: '', evidence: [] }),
    );
    const outcome = (state: ConditionState) =>
      outcomeOf(
        [...others, { code: 'attribute-inspections', state, found: '', evidence: [] }],
        'production',
      );
    expect(
      (['met', 'unmet', 'contradicted', 'not-evaluated'] as const).map((state) => outcome(state)),
    ).toEqual(['conforms', 'incomplete', 'does-not-conform', 'incomplete']);
  });

  it('void the second person’s signature by one more entry', () => {
    const known = {
      ...asked(...GOOD),
      site: { ...site, secondPerson: { required: true as const } },
    };
    const { evidence } = evaluateStatement(known, now);
    if (evidence === null) throw new Error('nobody announced it');
    const secondPerson = signed({ meaning: 'approved' }, { ...evidence, context: null });
    expect(evaluateStatement({ ...known, secondPerson }, now).outcome).toBe('conforms');
    const inspections = [...GOOD, { ...entry('labels', 2, 0), id: 'again' }];
    expect(evaluateStatement({ ...known, secondPerson, inspections }, now).outcome).toBe(
      'incomplete',
    );
  });
});

describe('rule 9: monotonic', () => {
  const STATES: ConditionState[] = ['contradicted', 'unmet', 'not-evaluated', 'met'];
  type Change = (of: StatementFacts) => StatementFacts;

  /** The rejection is judged by the containers that are listed when it is entered, as the service does. */
  const add = fc
    .record({
      attribute: fc.constantFrom('labels', 'damage' as const),
      inspected: fc.integer({ min: 1, max: 250 }),
      bad: fc.nat({ max: 3 }),
    })
    .map(
      ({ attribute, inspected, bad }): Change =>
        (of) => {
          const count = { attribute, inspected, nonconforming: Math.min(bad, inspected) };
          const rejected = isRejected(
            of.receipt?.attributePlans ?? [],
            of.containers.length,
            count,
          );
          const inspections = of.inspections ?? [];
          const id = `i${inspections.length}`;
          return { ...of, inspections: [...inspections, { ...count, id, rejected }] };
        },
    );
  const addContainers = fc.integer({ min: 1, max: 120 }).map(
    (n): Change =>
      (of) => {
        const more = Array.from({ length: n }, (_, i) => `E-${of.containers.length + i}`);
        const containers = [...of.containers, ...more.map((label) => ({ label, required: false }))];
        return revised({ ...of, containers });
      },
  );
  /** An entry in favour is taken away as if nobody had made it. */
  const remove = fc.nat({ max: 9 }).map(
    (at): Change =>
      (of) => {
        const favour = (of.inspections ?? []).filter((i) => i.nonconforming === 0);
        const gone = favour[at % Math.max(1, favour.length)];
        return { ...of, inspections: (of.inspections ?? []).filter((i) => i !== gone) };
      },
  );
  const askMore = fc.constantFrom<ReceiptAttributePlan['aql']>('0.65', '1.0', '4.0').map(
    (aql): Change =>
      (of) => {
        const more = { attribute: 'labels', level: 'II', aql, decision: 'D-002' } as const;
        const { receipt: r } = of;
        if (r === null) return of;
        const attributePlans = [...(r.attributePlans ?? []), { ...more, foundAt: now }];
        return revised({ ...of, receipt: { ...r, attributePlans } });
      },
  );

  /** As a revision of the receipt stores its plans. */
  function revised(of: StatementFacts): StatementFacts {
    const { receipt: r, containers, inspections = [] } = of;
    if (r === null) return of;
    const { receiptId } = r.identity;
    const plans = r.attributePlans ?? [];
    const attributePlans = carriedPlans(receiptId, plans, containers.length, inspections);
    return { ...of, receipt: { ...r, attributePlans } };
  }

  it('an added entry never improves beyond asked and passed, and nothing else improves at all', () => {
    let improved = 0;
    let worsened = 0;
    const step = fc.oneof(
      add.map((apply) => ({ apply, isEntry: true })),
      fc.oneof(addContainers, remove, askMore).map((apply) => ({ apply, isEntry: false })),
    );
    fc.assert(
      fc.property(fc.array(step, { minLength: 1, maxLength: 14 }), (steps) => {
        let known = asked(...GOOD);
        let wasRejected = false;
        for (const { apply, isEntry } of steps) {
          const before = STATES.indexOf(condition(known)?.state ?? 'met');
          known = apply(known);
          const found = condition(known);
          if (found === undefined) throw new Error('the condition is gone');
          const after = STATES.indexOf(found.state);
          if (after > before) {
            improved += 1;
            expect(isEntry).toBe(true);
            expect(wasRejected).toBe(false);
          }
          if (after < before) worsened += 1;
          wasRejected ||= known.inspections?.some((i) => i.rejected) ?? false;
          if (wasRejected) expect(found.state).toBe('unmet');
        }
      }),
      { numRuns: 2000 },
    );
    expect(improved).toBeGreaterThan(20);
    expect(worsened).toBeGreaterThan(500);
  });
});
