import pg from 'pg';
import { expect, it } from 'vitest';
import type { BundleResult } from '../../src/intake/result-bundle.js';
import { lockReceipts, markEvaluationDue } from '../../src/receipts/facts.store.js';
import { ReceiptsService } from '../../src/receipts/receipts.service.js';
import { seededRandom } from '../../src/simulation/seeded-random.js';
import type { SiteFolder } from '../../src/site/site-folder.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { goodParts, goodResult, SITE } from '../checks/fixture.js';
import { databasesOfProcesses } from '../support/temp-database.js';
import { BundleBench } from './bundle-bench.js';

/** Whatever several processes do at once, no two wait for each other in a circle. */

const SERIALS = ['I-1', 'I-2', 'I-3', 'I-4'];
const RECEIPTS = ['GR-1', 'GR-2', 'GR-3', 'GR-4', 'GR-5', 'GR-6'];
const BUNDLES = 32;

const MANY: SiteFolder = {
  ...SITE,
  instruments: SERIALS.flatMap((serial) =>
    SITE.instruments.slice(0, 1).map((instrument) => ({ ...instrument, serial })),
  ),
};

/** Transactions that are not tried again, and what the server said of those that met another. */
function withoutRetry(database: OpenDatabase, met: string[]): OpenDatabase {
  return {
    db: database.db,
    transact: async (work) => {
      try {
        return await database.db.transaction().setIsolationLevel('read committed').execute(work);
      } catch (error) {
        if (error instanceof pg.DatabaseError) met.push(`${error.message}: ${error.detail ?? ''}`);
        throw error;
      }
    },
    close: () => database.close(),
  };
}

it.each([1, 2, 3])(
  'settling, evaluating, announcing and outcomes keep one lock order (seed %i)',
  async (seed) => {
    const random = seededRandom(seed);
    const pick = <T>(all: readonly T[]): T => all[Math.floor(random() * all.length)] as T;
    const some = () => RECEIPTS.filter(() => random() < 0.4);
    const met: string[] = [];
    const databases = (await databasesOfProcesses(3)).map((one) => withoutRetry(one, met));
    const benches = BundleBench.over(databases, MANY);
    const [first] = benches;
    if (!first) throw new Error('there is no process');
    const { db } = first.database;
    const at = first.clock.now();
    await db
      .insertInto('worker')
      .values(
        benches.map((_, i) => ({
          id: `w-${i}`,
          started_at: at,
          heartbeat_at: at,
          stopped_at: null,
        })),
      )
      .execute();

    const stored: string[] = [];
    for (let n = 1; n <= BUNDLES / SERIALS.length; n += 1) {
      for (const serial of SERIALS) {
        const results = [0, 1, 2].map((i): BundleResult => {
          const resultId =
            random() < 0.1 && stored.length > 0 ? pick(stored) : `${serial}-${n}-${i}`;
          stored.push(resultId);
          const supersedes =
            random() < 0.2 ? { resultId: pick(stored), reason: 'wrong drum' } : null;
          return goodResult(3 * n + i - 2, {
            resultId,
            supersedes: supersedes?.resultId === resultId ? null : supersedes,
            receipt: { scanned: random() < 0.1 ? 'GR-UNKNOWN' : pick(RECEIPTS), entry: 'scanned' },
            decision: random() < 0.2 ? 'fail' : 'pass',
          });
        });
        const parts = goodParts(results);
        // Every tenth bundle is missing: a gap is evidence without an owner.
        if (random() < 0.1) continue;
        await first.take({
          ...parts,
          bundleId: `${serial}-B-${n}`,
          instrument: { ...parts.instrument, serial },
        });
      }
    }

    let isSettled = false;
    const settling = benches.map(async (bench, i) => {
      const process = bench.process(bench.examine, `w-${i}`);
      while ((await waiting(bench)) > 0) await process.workOnce();
    });
    const outcomes = benches.map(async ({ database }) => {
      while (!isSettled) {
        await database.transact(async (trx) => {
          const ids = some();
          await lockReceipts(trx, SITE.site, ids);
          await markEvaluationDue(trx, SITE.site, ids);
        });
      }
    });
    const evaluating = benches.map(async ({ statements }) => {
      while (!isSettled) {
        await statements.evaluateDue(5);
        await statements.fresh(pick(RECEIPTS), 'erp');
      }
    });
    const announcing = announceAll(first);
    await Promise.all([...settling, announcing]).finally(() => {
      isSettled = true;
    });
    await Promise.all([...outcomes, ...evaluating]);
    expect(met).toEqual([]);
    expect(await waiting(first)).toBe(0);
    const named = await db.selectFrom('receipt').select('id').where('announced', '=', 1).execute();
    expect(named).toHaveLength(RECEIPTS.length);
    const strays = await db
      .selectFrom('result')
      .select('id')
      .where('receipt_scanned', 'in', RECEIPTS)
      .where('receipt_id', 'is', null)
      .execute();
    expect(strays).toEqual([]);
  },
);

async function waiting({ database }: BundleBench): Promise<number> {
  const rows = await database.db
    .selectFrom('bundle')
    .select('id')
    .where('state', '=', 'received')
    .execute();
  return rows.length;
}

/** In an order and at moments of their own, while their drums' results are being settled. */
async function announceAll(bench: BundleBench): Promise<void> {
  const receipts = new ReceiptsService({
    site: MANY,
    evaluate: (trx, id, now) => bench.statements.evaluateInTransaction(trx, id, now),
  });
  for (const [i, text] of [...RECEIPTS].reverse().entries()) {
    const line = {
      receiptId: `${'ABC'[i % 3]}-${text}`,
      receiptNumber: text,
      line: '10',
      material: 'M-1',
      manufacturer: 'Maker A',
      supplier: 'Trader B',
      supplierLot: 'SL-7',
      siteLot: 'L-1',
      quantity: '50 kg',
      area: 'dock',
      receivedAt: bench.clock.now(),
      dockCount: 1,
      countedBy: 'dock',
      retestAt: null,
      scanText: text,
      containers: ['C-1'],
    };
    await bench.database.transact((trx) =>
      receipts.announce(trx, [line], { kind: 'cli', name: 'tester' }, bench.clock.now()),
    );
  }
}
