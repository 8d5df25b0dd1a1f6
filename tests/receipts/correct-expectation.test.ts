import { describe, expect, it } from 'vitest';
import type { Instant } from '../../src/formats/instant.js';
import {
  correctStrictly,
  planContainers,
  saysTheSame,
} from '../../src/receipts/correct-expectation.js';
import type { ReceiptLine } from '../../src/receipts/expectation-line.js';
import { chooseContainers } from '../../src/receipts/sampling-plan.js';
import type { PlanRule } from '../../src/site/site-folder.js';

const at = (n: number) => n as Instant;
const line: ReceiptLine = {
  receiptId: 'R-1',
  receiptNumber: null,
  line: null,
  material: 'NQ-1004',
  manufacturer: 'Maker A',
  supplier: 'Trader B',
  supplierLot: null,
  siteLot: null,
  quantity: null,
  area: 'east-dock',
  receivedAt: at(100),
  dockCount: 3,
  countedBy: null,
  retestAt: at(900),
  scanText: 'RC-1',
  containers: ['D-1', 'D-2', 'D-3'],
};

describe('correcting an expectation after measuring began', () => {
  it('rule 9: keeps what the correction would ease, and says so', () => {
    const eased = correctStrictly(line, {
      ...line,
      receivedAt: at(50),
      dockCount: 2,
      retestAt: null,
      scanText: 'RC-9',
      containers: ['D-2', 'D-1'],
    });
    expect(eased.line).toEqual({ ...line, containers: ['D-2', 'D-1', 'D-3'] });
    expect(eased.keptBack).toEqual([
      'container "D-3" stays expected',
      'the later goods-receipt instant stays',
      'the earlier retest date stays',
      'the higher dock count stays',
      'scan text "RC-1" stays, results were measured under it',
    ]);
  });

  it('takes what makes the receipt stricter, and everything else, as announced', () => {
    const next = {
      ...line,
      quantity: '20 kg',
      receivedAt: at(200),
      dockCount: 4,
      retestAt: at(800),
      containers: ['D-1', 'D-2', 'D-3', 'D-4'],
    };
    expect(correctStrictly(line, next)).toEqual({ line: next, keptBack: [] });
  });

  it('keeps material and lots that results were measured under', () => {
    const known = { ...line, siteLot: 'NQL-1', supplierLot: 'SL-1' };
    const mixedUp = { ...known, material: 'NQ-1001', siteLot: 'NQL-2', supplierLot: 'SL-2' };
    const corrected = correctStrictly(known, mixedUp);
    expect(corrected.line).toEqual(known);
    expect(corrected.keptBack).toEqual([
      'material "NQ-1004" stays, results were measured under it',
      'supplier\'s lot "SL-1" stays, results were measured under it',
      'site lot "NQL-1" stays, results were measured under it',
    ]);
  });

  it('takes a value that was missing before', () => {
    const blank = { ...line, receivedAt: null, dockCount: null, retestAt: null };
    expect(correctStrictly(blank, line)).toEqual({ line, keptBack: [] });
  });

  it('knows an announcement that says the same', () => {
    expect(saysTheSame(line, { ...line })).toBe(true);
    expect(saysTheSame(line, { ...line, quantity: '1' })).toBe(false);
  });
});

describe('the plan of a receipt', () => {
  const every: PlanRule = {
    material: '*',
    manufacturer: null,
    supplier: null,
    plan: 'every',
    rounding: 'up',
    decision: 'D-2',
    expires: at(10_000),
  };
  const root: PlanRule = {
    ...every,
    material: 'NQ-1004',
    manufacturer: 'Maker A',
    plan: 'sqrt',
    decision: 'D-3',
  };
  const forty = { ...line, containers: Array.from({ length: 40 }, (_, i) => `D-${i}`) };
  const first = planContainers({
    rules: [every, root],
    line: forty,
    before: null,
    measured: false,
    seed: 'seed',
    now: at(1),
  });
  const before = { plan: first.plan, required: first.required, subject: forty };

  it('is worked out at the announcement with a seed', () => {
    expect(first.plan).toMatchObject({
      kind: 'sqrt',
      containers: 40,
      required: 8,
      seed: 'seed',
      decision: 'D-3',
    });
    expect(first.required.size).toBe(8);
  });

  // Source: last line of "What to check in a test" in the project's sampling notes.
  it('stays the plan of the receipt when the site changes its plans after sampling began', () => {
    const again = planContainers({
      rules: [every],
      line: forty,
      before,
      measured: true,
      seed: 'other',
      now: at(20_000),
    });
    expect(again).toEqual(first);
  });

  it('keeps every container chosen before when the list grows, also those the order would now leave out', () => {
    const more = Array.from({ length: 60 }, (_, i) => `E-${i}`);
    const grown = { ...forty, containers: [...forty.containers, ...more] };
    const next = planContainers({
      rules: [],
      line: grown,
      before,
      measured: true,
      seed: 'other',
      now: at(2),
    });
    const byOrder = chooseContainers(grown.containers, 11, 'seed');
    expect([...first.required].filter((label) => !byOrder.has(label))).not.toEqual([]);
    expect(next.required).toEqual(new Set([...byOrder, ...first.required]));
    expect(next.plan).toMatchObject({
      seed: 'seed',
      containers: 100,
      required: next.required.size,
    });
  });

  it('rule 4: takes every container where the plan before and the one after cross', () => {
    const changed = { ...forty, manufacturer: 'Maker Z' };
    const other = { ...root, manufacturer: 'Maker Z', plan: 'who-n' as const };
    const options = { rules: [other], line: changed, before, seed: 'x', now: at(2) };
    expect(planContainers({ ...options, measured: false }).plan).toMatchObject({ kind: 'who-n' });
    expect(planContainers({ ...options, measured: true }).plan).toMatchObject({
      kind: 'every',
      required: 40,
    });
  });

  it('rule 4: a change of supplier returns to every container, and not back once measuring began', () => {
    const changed = { ...forty, manufacturer: 'Maker Z' };
    const strict = planContainers({
      rules: [every, root],
      line: changed,
      before,
      measured: false,
      seed: 'x',
      now: at(2),
    });
    expect(strict.plan).toMatchObject({ kind: 'every', required: 40 });
    const strictBefore = { plan: strict.plan, required: strict.required, subject: changed };
    const back = (measured: boolean) =>
      planContainers({
        rules: [every, root],
        line: forty,
        before: strictBefore,
        measured,
        seed: 'y',
        now: at(3),
      });
    expect(back(true).plan).toMatchObject({ kind: 'every', required: 40 });
    expect(back(false).plan?.kind).toBe('sqrt');
  });

  it('rule 4: no way over a maker without a plan eases it once measuring began', () => {
    const other = { ...root, manufacturer: 'Maker C', decision: 'D-4' };
    const announced = (
      manufacturer: string,
      measured: boolean,
      of: ReturnType<typeof planContainers> | null,
      was: string,
    ) =>
      planContainers({
        rules: [root, other],
        line: { ...forty, manufacturer },
        before: of && { ...of, subject: { ...forty, manufacturer: was } },
        measured,
        seed: `seed of ${manufacturer}`,
        now: at(2),
      });
    for (const last of ['Maker A', 'Maker C']) {
      const none = announced('Maker Z', true, first, 'Maker A');
      expect(none).toMatchObject({ plan: null, required: { size: 40 } });
      const after = announced(last, true, none, 'Maker Z');
      expect(after.plan).toMatchObject({ kind: 'every', required: 40 });
      expect(after.required.size).toBe(40);
      const unmeasured = announced('Maker Z', false, first, 'Maker A');
      expect(announced(last, false, unmeasured, 'Maker Z').plan).toMatchObject({ required: 8 });
    }
  });

  it('takes up the plan that the site added for it, also when it was measured before', () => {
    const of = { plan: null, required: new Set(forty.containers), subject: forty };
    const options = { rules: [root], line: forty, before: of, seed: 's', now: at(2) };
    expect(planContainers({ ...options, measured: true }).plan).toMatchObject({ kind: 'sqrt' });
  });

  it('is null when nothing is in force, and then every container stays required', () => {
    const none = planContainers({
      rules: [],
      line,
      before: null,
      measured: false,
      seed: 's',
      now: at(1),
    });
    expect(none.plan).toBeNull();
    expect(none.required.size).toBe(3);
  });
});
