import { sql } from 'kysely';
import { describe, expect, it } from 'vitest';
import { PerformanceCauseService } from '../../src/pipeline/performance-cause.service.js';
import type { StatementRecord } from '../../src/records/statement-record.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { goodCheck, goodParts, goodResult } from '../checks/fixture.js';
import { somebodyWaits } from '../support/lock-waits.js';
import { until } from '../support/until.js';
import { AttributionBench, LABELS_OF_D1 } from './attribution-bench.js';

/** What a performance check says meets what somebody signs at the same moment, each in a transaction of its own. */

/** A database whose next transaction waits, with all its work done, until it is told to commit. */
function held(database: OpenDatabase) {
  let commit: (() => void) | null = null;
  let isDone = false;
  let isFirst = true;
  const open = new Promise<void>((resolve) => {
    commit = resolve;
  });
  const waiting: OpenDatabase = {
    db: database.db,
    transact: (work) =>
      database.transact(async (trx) => {
        const answer = await work(trx);
        if (isFirst && (await hasWritten(trx))) {
          isFirst = false;
          isDone = true;
          await open;
        }
        return answer;
      }),
    close: () => database.close(),
  };
  return {
    waiting,
    done: () => until('its work is done', () => isDone),
    commit: () => commit?.(),
  };
}

/** Signing has a transaction before, which proves the person: it locks nothing that anybody waits for. */
async function hasWritten(trx: Parameters<Parameters<OpenDatabase['transact']>[0]>[0]) {
  const { rows } = await sql<{ n: string }>`
    select count(*) as n from pg_locks where pid = pg_backend_pid() and mode = 'RowExclusiveLock'
      and relation in ('discrepancy'::regclass, 'receipt'::regclass)`.execute(trx);
  return Number(rows[0]?.n) > 0;
}

const check = (run: number, outcome: 'pass' | 'fail') => ({
  ...goodParts([], {
    // As results have it: the time goes on with the run.
    performanceChecks: [
      goodCheck(run, { outcome, checkedAt: `2026-07-01T12:${10 + run}:00+01:00` }),
    ],
  }),
  bundleId: `B-check-${run}`,
});

/** What the statement says that was last stored, which is not what would be said now. */
async function storedBracket(bench: AttributionBench, receiptId: string): Promise<string> {
  const { document } = await bench.db
    .selectFrom('statement')
    .select('document')
    .where('receipt_id', '=', receiptId)
    .orderBy('revision', 'desc')
    .executeTakeFirstOrThrow();
  const { conditions } = JSON.parse(document) as Pick<StatementRecord, 'conditions'>;
  const found = conditions.find(({ code }) => code === 'performance-brackets');
  return `${found?.state}: ${found?.found}`;
}

/** A result between two checks that passed, scanned for `R-1`, and another receipt of one drum. */
async function measured() {
  const bench = await AttributionBench.open();
  await bench.announceSecond({
    receiptId: 'R-3',
    receiptNumber: '4500012399',
    scanText: 'GR-3',
    containers: ['D-1'],
    dockCount: 1,
  });
  const rowan = await bench.reviews.person('rowan');
  const sam = await bench.reviews.person('sam');
  await bench.reviews.settle(check(1, 'pass'));
  await bench.reviews.settle({ ...goodParts([goodResult(2)]), bundleId: 'B-2' });
  return { bench, rowan, sam, rowId: await bench.reviews.rowId('R-2') };
}

const ON_R3 = {
  ...LABELS_OF_D1,
  receiptId: 'R-3',
  seen: { ...LABELS_OF_D1.seen, receipt: 'GR-3' },
};

describe('a performance check that fails', () => {
  it('reaches the receipt that a result is attributed to at the same moment', async () => {
    const { bench, rowan, sam, rowId } = await measured();
    const { database } = bench.reviews.bench;
    await bench.reviews.settle(check(4, 'pass'));
    const id = await bench.propose(rowId, rowan, ON_R3);
    const { waiting, done, commit } = held(database);
    const shownSha256 = (await bench.attributions.show(id))?.sha256 ?? '';
    const request = { act: 'attribute', shownSha256, reason: 'the photo of the label' } as const;
    const attributing = bench.over(waiting).decide(id, request, sam);
    await done();
    // It was made before the one that passed, and comes late.
    const settling = bench.reviews.settle(check(3, 'fail'));
    await until('the check waits for the receipt', () => somebodyWaits(database));
    commit();
    expect(await attributing).toMatchObject({ kind: 'signed' });
    await settling;
    expect(await bench.places()).toEqual(['R-2 R-3/D-1 rev 2']);
    expect(await storedBracket(bench, 'R-3')).toContain('check P-3 after it failed');
  });
});

describe('a failed check whose cause is signed', () => {
  it('is answered by a pass that is settled at the same moment', async () => {
    const { bench, rowan } = await measured();
    const { database, clock, site, statements } = bench.reviews.bench;
    await bench.reviews.settle(check(3, 'fail'));
    const failed = await database.db
      .selectFrom('performance_check')
      .select('id')
      .where('check_id', '=', 'P-3')
      .executeTakeFirstOrThrow();
    const { waiting, done, commit } = held(database);
    const { signing } = bench.reviews;
    const parts = { clock, site, statements, signing, onSigned: () => undefined };
    const causes = new PerformanceCauseService({ ...parts, database: waiting });
    const shownSha256 = (await causes.show(failed.id))?.sha256 ?? '';
    const request = { shownSha256, reason: 'it stood askew', investigation: 'INV-1' };
    const signed = causes.sign(failed.id, request, rowan);
    await done();
    let isSettled = false;
    const settling = bench.reviews.settle(check(4, 'pass')).then(() => {
      isSettled = true;
    });
    await until(
      'the pass is settled, or waits',
      async () => isSettled || (await somebodyWaits(database)),
    );
    commit();
    expect(await signed).toMatchObject({ kind: 'signed' });
    await settling;
    const failures = (await bench.reviews.bench.discrepancies()).filter(
      (d) => d.class === 'performance-failed',
    );
    expect(failures).toMatchObject([{ closed_at: expect.any(Number) }]);
  });
});
