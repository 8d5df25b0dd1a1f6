import { describe, expect, it } from 'vitest';
import type { SimulatedDay } from '../../src/simulation/day.runner.js';
import type { WorldTruth } from '../../src/simulation/judge.js';
import type { MeasuredResult, Story } from '../../src/simulation/story.js';
import { Load } from './harness/load.js';
import type { SitePeople } from './harness/people.js';

const AT = '2026-03-04T10:00:00.000000Z';

/** A day on which every measurement arrives at once. */
function dayOf({ receipts, steps }: Story): SimulatedDay {
  const measured: MeasuredResult[] = [];
  const receiptOf = (label: string) =>
    receipts.find(({ drums }) => drums.some((drum) => drum.label === label))?.id ?? 'none';
  const run = async (): Promise<void> => {
    for (const step of steps) {
      if (step.do !== 'measure') continue;
      const containerScan = step.presents ?? step.drum;
      const of = { receiptId: receiptOf(containerScan), containerScan, drum: step.drum };
      const resultId = `${step.drum} as ${containerScan}`;
      measured.push({ ...of, resultId, fate: 'arrived' } as MeasuredResult);
    }
  };
  return { measured, drums: new Map(), run } as unknown as SimulatedDay;
}

/** What the load says is true once every instrument met its first receipts, and people did as they are told here. */
async function truthWith(people: Pick<SitePeople, 'refuse' | 'move'>): Promise<WorldTruth> {
  const load = new Load({
    seed: 1,
    receiptsEach: 4,
    now: () => AT,
    people,
    announce: async () => undefined,
    day: (_serial, story) => dayOf(story),
  });
  load.burst(true);
  await load.run();
  return load.truth;
}

/** By the fate that a receipt was planned with. */
const ofFate = ({ receipts }: WorldTruth, fate: string) =>
  receipts.filter(({ because }) => because === fate);
const resultsOf = ({ measured }: WorldTruth, receiptId: string) =>
  measured.filter((r) => r.receiptId === receiptId);

describe('the load', () => {
  it('tells the judge what was taken back, and what is to be said of the receipts since', async () => {
    const truth = await truthWith({ refuse: async () => true, move: async () => 'moved' });
    const refused = ofFate(truth, 'refused');
    expect(refused).toHaveLength(4);
    for (const receipt of refused) {
      expect(receipt).toMatchObject({ expected: 'incomplete', expectsStop: 'either' });
      const [first, ...others] = resultsOf(truth, receipt.id);
      expect(first).toMatchObject({
        revisions: [{ receiptId: receipt.id, isTakenBack: true }],
        takenBackAt: AT,
      });
      expect(others.every(({ revisions }) => revisions === undefined)).toBe(true);
    }
    const moved = ofFate(truth, 'moved');
    expect(moved).toHaveLength(4);
    for (const receipt of moved) {
      expect(receipt).toMatchObject({ expected: 'conforms', expectsStop: false });
      const last = receipt.drums.at(-1)?.label;
      const [result] = truth.measured.filter(({ drum }) => drum === last);
      const under = truth.receipts.find(({ id }) => id === result?.receiptId);
      expect(under).toMatchObject({
        because: 'good',
        expected: 'conforms',
        expectsStop: 'either',
        area: receipt.area,
      });
      expect(result?.containerScan).toBe(under?.drums[0]?.label);
      expect(result?.revisions).toEqual([
        { receiptId: under?.id, isTakenBack: true },
        { receiptId: receipt.id, isTakenBack: false },
      ]);
    }
  });

  it('says that a result stands where nobody could sign about it, and that a proposal waits', async () => {
    const truth = await truthWith({ refuse: async () => false, move: async () => 'proposed' });
    expect(truth.measured.filter(({ revisions }) => revisions !== undefined)).toEqual([]);
    for (const receipt of ofFate(truth, 'refused')) {
      expect(receipt).toMatchObject({ expected: 'conforms', expectsStop: false });
    }
    for (const receipt of ofFate(truth, 'moved')) {
      expect(receipt).toMatchObject({ expected: 'incomplete', expectsStop: false });
    }
    expect(ofFate(truth, 'good').map((r) => [r.expected, r.expectsStop])).toEqual(
      Array.from({ length: 4 }, () => ['incomplete', 'either']),
    );
  });

  it('does not end before what was asked for is answered', async () => {
    const refusal = new Error('nobody answered');
    const people = { refuse: () => Promise.reject(refusal), move: async () => 'moved' as const };
    await expect(truthWith(people)).rejects.toBe(refusal);
  });
});
