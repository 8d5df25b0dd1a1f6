import { describe, expect, it } from 'vitest';
import { AfterHolds } from '../../src/pipeline/after-holds.service.js';
import { ResultMessages } from '../../src/pipeline/result-messages.service.js';
import { transactLocking } from '../../src/receipts/receipt-locks.store.js';
import { latestStatement } from '../../src/statements/statements.store.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { somebodyWaits } from '../support/lock-waits.js';
import { COMMAND_LINE } from '../support/people.js';
import { until } from '../support/until.js';
import { AttributionBench, FAIL } from './attribution-bench.js';
import { announcement, MAPPINGS } from './review-bench.js';

/**
 * A result whose receipt nobody announced, and two transactions on two connections: one announces that receipt and gives
 * it the result, the other changes the result at the same moment.
 */

const UNKNOWN = { receipt: { scanned: 'GR-9', entry: 'scanned' } } as const;

/** Announces the receipt, and commits when the other transaction waits for it. */
async function announceBeside<T>(
  bench: AttributionBench,
  other: () => Promise<T>,
  line = announcement({ receiptId: 'R-9', scanText: 'GR-9', containers: ['C-1', 'C-2'] }),
): Promise<T> {
  const { bench: of, receipts } = bench.reviews;
  let announced: () => void = () => undefined;
  const isAnnounced = new Promise<void>((resolve) => {
    announced = resolve;
  });
  let commit: () => void = () => undefined;
  const mayCommit = new Promise<void>((resolve) => {
    commit = resolve;
  });
  const announcing = of.database.transact(async (trx) => {
    await receipts.announce(trx, [line], COMMAND_LINE, of.clock.now());
    announced();
    await mayCommit;
  });
  await isAnnounced;
  const ended = other();
  ended.catch(() => undefined);
  await until('it waits', async () => await somebodyWaits(of.database));
  commit();
  await announcing;
  return ended;
}

describe('a result without an owner whose receipt is announced at the same moment', () => {
  it('is not taken from it by a signature that was shown a result of no receipt', async () => {
    const bench = await AttributionBench.open();
    const [first, second] = [
      await bench.reviews.person('robin'),
      await bench.reviews.person('sam'),
    ];
    await bench.reviews.settle(goodParts([goodResult(1, { ...FAIL, ...UNKNOWN })]));
    const id = await bench.propose(await bench.reviews.rowId('R-1'), first);
    const answer = await announceBeside(bench, () => bench.decide(id, second));
    expect(answer).toMatchObject({ kind: 'refused', why: 'signature-stale' });
    expect(await bench.places()).toEqual(['R-1 R-9/C-1 rev 1']);
    expect(await bench.contrary('R-9')).toContain('contradicted');
  });

  it('is not refused by a signature that was shown a result of no receipt', async () => {
    const bench = await AttributionBench.open();
    const reviewer = await bench.reviews.person('robin');
    await bench.reviews.settle(goodParts([goodResult(1, UNKNOWN)]));
    const row = await bench.reviews.rowId('R-1');
    const answer = await announceBeside(bench, () => bench.reviews.review('refuse', row, reviewer));
    expect(answer).toMatchObject({ kind: 'refused', why: 'signature-stale' });
    expect(await bench.reviews.states()).toEqual(['R-1 accepted']);
  });

  it('takes its receipt along when it is held', async () => {
    const bench = await AttributionBench.open();
    const { database, clock, site } = bench.reviews.bench;
    await bench.reviews.settle(goodParts([goodResult(1, UNKNOWN)]));
    const row = await bench.db.selectFrom('result').selectAll().executeTakeFirstOrThrow();
    const holds = new AfterHolds(site, new ResultMessages(site, MAPPINGS, 1));
    const finding = {
      code: 'duplicate-spectrum',
      severity: 'hold',
      pointer: row.pointer,
      message: 'the same spectrum came for another container',
      advice: 'compare both',
    } as const;
    const about = { rowId: row.id, bundleRowId: row.bundle_row_id, receiptId: null, finding };
    const held = await announceBeside(bench, () =>
      transactLocking(database, site.site, async (trx, locks) => {
        await holds.lock(trx, locks, [about]);
        return holds.hold(trx, locks, [about], clock.now());
      }),
    );
    expect([...held.receipts]).toEqual(['R-9']);
  });
});

describe('a drum that is listed for the first time at the moment in which it fails', () => {
  const DRUM = '(01)09521234543213(21)0007';

  it('is known to have failed, though the fail was scanned under the receipt of another', async () => {
    const bench = await AttributionBench.open();
    const of = bench.reviews;
    await of.announce({ receiptId: 'R-1', scanText: 'GR-1', containers: ['C-1'] });
    const line = announcement({ receiptId: 'R-9', scanText: 'GR-9', containers: [DRUM] });
    const fail = goodResult(1, {
      ...FAIL,
      receipt: { scanned: 'GR-1', entry: 'scanned' },
      container: { scanned: DRUM, entry: 'scanned' },
    });
    await announceBeside(bench, () => of.settle(goodParts([fail])), line);
    expect(await of.found('receipt-undivided', 'R-9')).toContain(DRUM);
    const latest = await latestStatement(bench.db, of.bench.site.site, 'R-9');
    expect(latest?.conditions.find((c) => c.code === 'receipt-undivided')?.state).toBe('unmet');
  });
});
