import { describe, expect, it } from 'vitest';
import { latestStatement } from '../../src/statements/statements.store.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { ReviewBench } from './review-bench.js';

/** Release-safety rules 8, 19 and 20: bad news about a receipt whose containers went on to others. */

async function split(): Promise<ReviewBench> {
  const bench = await ReviewBench.open();
  await bench.announce();
  const parts = [
    { receiptId: 'R-2', scanText: 'GR-2', containers: ['C-1'] },
    { receiptId: 'R-3', scanText: 'GR-3', containers: ['C-2'] },
  ];
  const of = { receiptId: 'R-1', seen: null, parts };
  expect(await bench.change((c, trx, by) => c.split(trx, of, by))).toMatchObject({ ok: true });
  return bench;
}

/** What the revisions that are stored say, without anybody asking. */
async function undivided(bench: ReviewBench): Promise<string[]> {
  const { site } = bench.bench.site;
  const states: string[] = [];
  for (const id of ['R-2', 'R-3']) {
    const { conditions } = (await latestStatement(bench.db, site, id)) ?? { conditions: [] };
    states.push(`${id} ${conditions.find((c) => c.code === 'receipt-undivided')?.state}`);
  }
  return states;
}

describe('a result that names a receipt and none of its containers, which went on', () => {
  it.each([['fail'], ['pass']] as const)(
    'is said of what they went to in the transaction that takes it in, when it decided %s',
    async (decision) => {
      const bench = await split();
      expect(await undivided(bench)).toEqual(['R-2 met', 'R-3 met']);
      const container = { scanned: 'C-77', entry: 'scanned' } as const;
      await bench.settle(goodParts([goodResult(1, { decision, container })]));
      expect(await undivided(bench)).toEqual(['R-2 unmet', 'R-3 unmet']);
    },
  );
});
