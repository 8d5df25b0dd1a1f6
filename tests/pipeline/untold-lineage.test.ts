import { describe, expect, it } from 'vitest';
import { MissingDeliveries } from '../../src/pipeline/missing-deliveries.service.js';
import { ResultMessages } from '../../src/pipeline/result-messages.service.js';
import type { Destination } from '../../src/site/site-folder.js';
import type { ActiveMapping } from '../../src/statements/statement-messages.js';
import { goodParts, goodResult, SITE } from '../checks/fixture.js';
import { COMMAND_LINE } from '../support/people.js';
import { AttributionBench } from './attribution-bench.js';
import { MAPPINGS } from './review-bench.js';

/**
 * Release-safety rules 9 and 19: what a destination shows of a receipt and was never told to withdraw, or has not shown
 * withdrawn yet, keeps whatever went on from that receipt as it kept the receipt.
 */

const required = (name: string) =>
  ({ name, requiredForStatement: true, acts: false }) as unknown as Destination;
const BOTH = { ...SITE, destinations: [required('lims'), required('archive')] };
const ARCHIVE: ActiveMapping = { digest: 'a', messages: ['result', 'withdrawal'] };
const HAS = 'archive has revision 1 of result R-1, which does not stand any more';

/** Result R-1 went from drum C-1 of receipt R-1 to receipt R-2, while archive knew nothing of it. */
async function world() {
  const mappings = new Map<string, ActiveMapping>([...MAPPINGS, ['archive', ARCHIVE]]);
  const bench = await AttributionBench.open(BOTH, mappings);
  const { reviews } = bench;
  const { database, clock } = reviews.bench;
  const [first, second] = [await reviews.person('robin'), await reviews.person('sam')];
  const on = (run: number, drum: string) =>
    goodResult(run, { container: { scanned: drum, entry: 'scanned' } });
  await reviews.settle(goodParts([on(1, 'C-1'), on(2, 'C-1'), on(3, 'C-2')]));
  await bench.deliver();
  const id = await bench.propose(await reviews.rowId('R-1'), first);
  await bench.decide(id, second, 'attribute', bench.over(database, MAPPINGS));
  await bench.deliver();
  const missing = new MissingDeliveries({
    database,
    clock,
    site: BOTH,
    messages: new ResultMessages(BOTH, mappings, 1),
    onPlanned: () => undefined,
  });
  return {
    bench,
    plan: (receiptId: string) => missing.plan(receiptId, COMMAND_LINE, 'it is back, CR-15'),
    split: (receiptId: string, ...parts: (readonly [string, readonly string[]])[]) =>
      reviews.change((changes, trx, by) => {
        const into = parts.map(([id, containers]) => ({
          receiptId: id,
          scanText: `G${id}`,
          containers,
        }));
        return changes.split(trx, { receiptId, seen: null, parts: into }, by);
      }),
    merge: (receiptId: string, ...parts: readonly string[]) =>
      reviews.change((changes, trx, by) =>
        changes.merge(trx, { receiptId, scanText: `G${receiptId}`, parts }, by),
      ),
    confirmed: (receiptId: string) => reviews.found('deliveries-confirmed', receiptId),
    due: async () => {
      const rows = await bench.db
        .selectFrom('receipt')
        .select('id')
        .where('evaluation_due', '=', 1)
        .orderBy('id')
        .execute();
      return rows.map((r) => r.id);
    },
  };
}

describe('what a destination was never told of a receipt that is split', () => {
  it.each(['R-3', 'R-4'])(
    'keeps its parts from conforming, and is planned for %s',
    async (part) => {
      const { split, confirmed, plan, bench, due } = await world();
      expect(await split('R-1', ['R-3', ['C-1']], ['R-4', ['C-2']])).toMatchObject({ ok: true });
      expect(await confirmed('R-3')).toContain(HAS);
      expect(await confirmed('R-4')).toContain(HAS);
      await confirmed('R-2');
      expect(await plan(part)).toMatchObject({
        planned: [
          { resultId: 'R-1', destination: 'archive', done: 'withdrawn', revision: 1 },
          { resultId: 'R-1', destination: 'archive', done: 'planned' },
        ],
      });
      // Whatever waited for it is looked at again.
      expect(await due()).toEqual(expect.arrayContaining(['R-2', 'R-3', 'R-4']));
      expect(await confirmed('R-3')).toMatch(/^unmet: withdrawal \S+ at archive: due/);
      expect(await confirmed('R-4')).toMatch(/^unmet: withdrawal \S+ at archive: due/);
      await bench.deliver();
      for (const id of ['R-2', 'R-3', 'R-4']) expect(await confirmed(id)).toMatch(/^met/);
      expect(await plan('R-4')).toMatchObject({ planned: [] });
    },
  );

  it('goes along over a further split and a merge', async () => {
    const { split, merge, confirmed, plan, bench } = await world();
    await split('R-1', ['R-3', ['C-1']], ['R-4', ['C-2']]);
    expect(await merge('R-5', 'R-3', 'R-4')).toMatchObject({ ok: true });
    expect(await confirmed('R-5')).toContain(HAS);
    await split('R-5', ['R-6', ['C-1']], ['R-7', ['C-2']]);
    expect(await confirmed('R-6')).toContain(HAS);
    expect(await confirmed('R-7')).toContain(HAS);
    await plan('R-6');
    await bench.deliver();
    expect(await confirmed('R-6')).toMatch(/^met/);
    expect(await confirmed('R-7')).toMatch(/^met/);
  });

  it('is waited for as well where it was told before, and has not shown it', async () => {
    const { split, confirmed, plan, bench } = await world();
    await plan('R-1');
    await split('R-1', ['R-3', ['C-1']], ['R-4', ['C-2']]);
    expect(await confirmed('R-3')).toMatch(/^unmet: withdrawal \S+ at archive: due/);
    await bench.deliver();
    expect(await confirmed('R-3')).toMatch(/^met/);
  });
});
