import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { Instant } from '../../src/formats/instant.js';
import {
  asksFurther,
  chooseContainers,
  compareStrictness,
  containersOf,
  findPlanRule,
  furtherContainers,
  isStricter,
  planFromRule,
  requiredCount,
} from '../../src/receipts/sampling-plan.js';
import type { PlanRule } from '../../src/site/site-folder.js';

const at = (n: number) => n as Instant;
const roundings = ['up', 'nearest', 'down'] as const;

const everyRule: PlanRule = {
  material: '*',
  manufacturer: null,
  supplier: null,
  plan: 'every',
  rounding: 'up',
  decision: 'D-002',
  expires: at(1000),
};
const rootRule: PlanRule = {
  ...everyRule,
  material: 'NQ-1004',
  manufacturer: 'Maker A',
  plan: 'sqrt',
};

describe('required count', () => {
  // Source: table "sqrt(N) + 1" of the project's sampling notes (computed from the formula with exact
  // arithmetic; sqrt(N) + 1 is a custom without an official text). Columns: N, ceiling, nearest, floor.
  it.each([
    [2, 2, 2, 2],
    [3, 3, 3, 2],
    [10, 5, 4, 4],
    [12, 5, 4, 4],
    [13, 5, 5, 4],
    [16, 5, 5, 5],
    [40, 8, 7, 7],
    [100, 11, 11, 11],
  ])('takes for N = %i by sqrt(N) + 1: %i up, %i nearest, %i down', (n, up, nearest, down) => {
    expect(roundings.map((r) => requiredCount('sqrt', r, n))).toEqual([up, nearest, down]);
  });

  // Source: WHO Technical Report Series 929 Annex 4, n plan = 1 + sqrt(N) with simple rounding, its edges as
  // computed from the formula (the printed table is disputed at 3, 13; from memory).
  it.each([
    [7, 12, 4],
    [14, 20, 5],
    [21, 30, 6],
    [31, 42, 7],
    [43, 56, 8],
    [57, 72, 9],
    [73, 90, 10],
  ])('takes for N = %i to %i the %i containers of the n plan', (from, to, n) => {
    for (const count of [from, to]) expect(requiredCount('sqrt', 'nearest', count)).toBe(n);
  });

  it('takes one of one container, none of none, and refuses what is no number of containers', () => {
    for (const rounding of roundings) {
      expect(requiredCount('sqrt', rounding, 1)).toBe(1);
      expect(requiredCount('sqrt', rounding, 0)).toBe(0);
    }
    expect(requiredCount('every', 'up', 40)).toBe(40);
    for (const wrong of [-1, 1.5, Number.NaN]) {
      expect(() => requiredCount('every', 'up', wrong)).toThrow(RangeError);
    }
  });

  it('never asks for more than N and is exact by whole-number arithmetic', () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 1, max: 94_000_000 }),
        fc.constantFrom(...roundings),
        (n, r) => {
          const asked = requiredCount('sqrt', r, n);
          expect(asked).toBeLessThanOrEqual(n);
          const root = BigInt(requiredCount('sqrt', 'down', n)) - 1n;
          if (n > 3) {
            expect(root * root <= BigInt(n) && (root + 1n) * (root + 1n) > BigInt(n)).toBe(true);
          }
        },
      ),
    );
  });

  it('is not one too high for squares beyond what a double root shows', () => {
    const root = 94_906_265;
    expect(requiredCount('sqrt', 'up', root * root)).toBe(root + 1);
    expect(requiredCount('sqrt', 'up', root * root + 1)).toBe(root + 2);
    expect(requiredCount('sqrt', 'down', root * root - 1)).toBe(root);
  });
});

describe('finding the rule', () => {
  const rules = [everyRule, rootRule, { ...rootRule, supplier: 'Trader B', decision: 'D-009' }];

  it('takes the most specific of those in force', () => {
    const material = 'NQ-1004';
    expect(
      findPlanRule(rules, { material, manufacturer: 'Maker A', supplier: 'Trader B' }, at(1))
        ?.decision,
    ).toBe('D-009');
    expect(
      findPlanRule(rules, { material, manufacturer: 'Maker A', supplier: 'Other' }, at(1)),
    ).toBe(rootRule);
    expect(
      findPlanRule(rules, { material: 'NQ-1', manufacturer: null, supplier: null }, at(1)),
    ).toBe(everyRule);
  });

  it('rule 4: returns to every container when manufacturer or supplier change', () => {
    expect(
      findPlanRule(
        rules,
        { material: 'NQ-1004', manufacturer: 'Maker Z', supplier: 'Trader B' },
        at(1),
      ),
    ).toBe(everyRule);
  });

  it('rule 4: takes the stricter of two rules neither of which holds for a part of the other', () => {
    const ofBroker: PlanRule = { ...everyRule, supplier: 'Broker B', decision: 'D-010' };
    const ofBoth: PlanRule = { ...rootRule, supplier: 'Broker B', decision: 'D-011' };
    const subject = { material: 'NQ-1004', manufacturer: 'Maker A', supplier: 'Broker B' };
    for (const rules of permutations([everyRule, rootRule, ofBroker])) {
      expect(findPlanRule(rules, subject, at(1))).toBe(ofBroker);
      expect(findPlanRule(rules, { ...subject, supplier: 'Trader C' }, at(1))).toBe(rootRule);
    }
    // What is written for maker and broker together is the site's word about both.
    for (const rules of permutations([rootRule, ofBroker, ofBoth])) {
      expect(findPlanRule(rules, subject, at(1))).toBe(ofBoth);
    }
  });

  // Unicode Standard Annex 15: canonically equivalent texts are the same text.
  it('knows maker and supplier however blanks and accents are encoded', () => {
    const ofBroker: PlanRule = { ...everyRule, supplier: 'Bro\u0301ker B', decision: 'D-010' };
    const subject = {
      material: 'NQ-1004',
      manufacturer: 'Maker  A',
      supplier: 'Br\u00f3ker\u00a0B',
    };
    expect(findPlanRule([rootRule, ofBroker], subject, at(1))).toBe(ofBroker);
    expect(findPlanRule([rootRule], subject, at(1))).toBe(rootRule);
    const folded: PlanRule = { ...ofBroker, supplier: 'Br\u00f3ker B\n' };
    expect(findPlanRule([rootRule, folded], subject, at(1))).toBe(folded);
    expect(findPlanRule([ofBroker], { ...subject, supplier: 'br\u00f3ker B' }, at(1))).toBeNull();
    expect(findPlanRule([ofBroker], { ...subject, supplier: null }, at(1))).toBeNull();
  });

  it('finds nothing when the rule has expired or the material is unknown', () => {
    const subject = { material: 'NQ-1004', manufacturer: null, supplier: null };
    expect(findPlanRule([everyRule], subject, at(999))).toBe(everyRule);
    expect(findPlanRule([everyRule], subject, at(1000))).toBeNull();
    expect(findPlanRule([everyRule], { ...subject, material: null }, at(1))).toBeNull();
  });

  it('takes the stricter of two equally specific rules, in whatever order they stand', () => {
    const down: PlanRule = { ...rootRule, rounding: 'down' };
    const subject = { material: 'NQ-1004', manufacturer: 'Maker A', supplier: null };
    expect(findPlanRule([down, rootRule], subject, at(1))).toBe(rootRule);
    expect(findPlanRule([rootRule, down], subject, at(1))).toBe(rootRule);
    expect(isStricter(everyRule, rootRule)).toBe(true);
    expect(isStricter(planFromRule(down, 40, 's', at(1)), rootRule)).toBe(false);
  });
});

describe('choosing containers', () => {
  const labels = Array.from({ length: 40 }, (_, i) => `D-${i + 1}`);

  it('repeats the choice from the recorded seed, in whatever order the labels come', () => {
    const chosen = chooseContainers(labels, 8, 'seed');
    expect(chosen.size).toBe(8);
    expect(chooseContainers([...labels].reverse(), 8, 'seed')).toEqual(chosen);
  });

  // Source: digests of "seedA", "seedB", "seedC" by Python's hashlib: A 93f5…, B eef9…, C c1cd….
  it('takes the labels in the order of the SHA-256 of seed and label', () => {
    expect([...chooseContainers(['A', 'B', 'C'], 2, 'seed')]).toEqual(['A', 'C']);
  });

  it('chooses another set for another seed and every container when all are asked for', () => {
    const sets = new Set(
      Array.from({ length: 20 }, (_, i) => [...chooseContainers(labels, 8, `s${i}`)].sort().join()),
    );
    expect(sets.size).toBeGreaterThan(15);
    expect(chooseContainers(labels, 40, 'x').size).toBe(40);
    expect(chooseContainers(labels, 99, 'x').size).toBe(40);
  });

  it('lets every container be chosen about equally often over many seeds', () => {
    const hits = new Map(labels.map((l) => [l, 0]));
    for (let i = 0; i < 2000; i++) {
      for (const l of chooseContainers(labels, 8, `seed ${i}`)) hits.set(l, (hits.get(l) ?? 0) + 1);
    }
    // Binomial(2000, 0.2): mean 400, standard deviation 17.9; five deviations either way.
    for (const count of hits.values()) {
      expect(count).toBeGreaterThan(310);
      expect(count).toBeLessThan(490);
    }
  });
});

describe('a fixed plan', () => {
  const fixed: PlanRule = { ...rootRule, plan: 'fixed', positions: [1, 5, 9] };
  const labels = Array.from({ length: 9 }, (_, i) => `D-${i + 1}`);

  it('takes the containers at its places', () => {
    const plan = planFromRule(fixed, 9, 'seed', at(1));
    expect(plan).toMatchObject({ kind: 'fixed', positions: [1, 5, 9], required: 3 });
    expect([...containersOf(plan, labels)]).toEqual(['D-1', 'D-5', 'D-9']);
  });

  it('takes every container of a receipt that lacks one of the places', () => {
    const plan = planFromRule(fixed, 8, 'seed', at(1));
    expect(plan.required).toBe(8);
    expect(containersOf(plan, labels.slice(0, 8)).size).toBe(8);
  });

  it('takes every container when its list is empty, and none of none', () => {
    expect(requiredCount('fixed', 'up', 9, [])).toBe(9);
    expect(requiredCount('fixed', 'up', 0, [1])).toBe(0);
  });
});

describe('strictness', () => {
  const rule = (over: Partial<PlanRule>): PlanRule => ({ ...rootRule, ...over });

  it('is the same for all plans that identify every container', () => {
    for (const plan of ['who-p', 'who-r'] as const) {
      expect(compareStrictness(rule({ plan }), everyRule)).toBe('equal');
      expect(compareStrictness(rule({ plan }), rootRule)).toBe('stricter');
    }
  });

  it('orders the roundings of the square root plan', () => {
    const nearest = rule({ rounding: 'nearest' });
    expect(compareStrictness(rootRule, nearest)).toBe('stricter');
    expect(compareStrictness(rule({ rounding: 'down' }), nearest)).toBe('looser');
  });

  it('finds plans that cross: each asks for more somewhere', () => {
    // Of 4 containers the n plan takes 4 and the square root plan 3; of 12 it takes 4 and the other 5.
    expect(compareStrictness(rule({ plan: 'who-n' }), rootRule)).toBe('crossing');
    expect(isStricter(rule({ plan: 'who-n' }), rootRule)).toBe(false);
    const fixed = rule({ plan: 'fixed', positions: [1, 2, 3, 4, 5, 6] });
    expect(compareStrictness(fixed, rootRule)).toBe('crossing');
  });
});

describe('after a failure', () => {
  const labels = ['A', 'B', 'C', 'D', 'E', 'F'];
  const chosen = new Set(['A', 'B']);
  const further = (afterFailure: 'every' | number | undefined, failures: number) =>
    furtherContainers(
      { seed: 'seed', ...(afterFailure === undefined ? {} : { afterFailure }) },
      labels,
      chosen,
      failures,
    );

  it('rule 4: every container is identified, unless the plan says a number for each that failed', () => {
    expect(further(undefined, 0)).toEqual(new Set());
    expect(further(undefined, 1)).toEqual(new Set(['C', 'D', 'E', 'F']));
    expect(further('every', 1)).toEqual(new Set(['C', 'D', 'E', 'F']));
    expect(further(1, 1).size).toBe(1);
    expect(further(1, 3).size).toBe(3);
    expect(further(3, 2)).toEqual(new Set(['C', 'D', 'E', 'F']));
  });

  it('takes them in the order of the plan’s seed, and none again that it asked for after the failure before', () => {
    const one = [...further(1, 1)];
    const two = [...further(1, 2)];
    expect(two.slice(0, 1)).toEqual(one);
    const ordered = chooseContainers(['C', 'D', 'E', 'F'], 2, 'seed');
    expect(new Set(two)).toEqual(ordered);
  });

  it('asks for more when it asks for every one, also where nobody wrote it', () => {
    expect(asksFurther(undefined, 5)).toBe(true);
    expect(asksFurther('every', undefined)).toBe(false);
    expect(asksFurther(3, 2)).toBe(true);
    expect(asksFurther(2, 'every')).toBe(false);
  });
});

/** Every order of three rules. */
function permutations([a, b, c]: readonly [PlanRule, PlanRule, PlanRule]): PlanRule[][] {
  return [
    [a, b, c],
    [a, c, b],
    [b, a, c],
    [b, c, a],
    [c, a, b],
    [c, b, a],
  ];
}
