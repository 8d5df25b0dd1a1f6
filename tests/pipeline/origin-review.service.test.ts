import { describe, expect, it } from 'vitest';
import { OriginReviewService } from '../../src/pipeline/origin-review.service.js';
import { ReceiptChangesService } from '../../src/receipts/receipt-changes.service.js';
import { linkReceipts, type NewLink } from '../../src/receipts/receipt-links.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import { conformingOfDoubtfulOrigin } from '../../src/statements/statements.store.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { goodParts, goodResult, NOW, SITE } from '../checks/fixture.js';
import { COMMAND_LINE } from '../support/people.js';
import { ReviewBench } from './review-bench.js';

/** Release-safety rules 16 and 19: a rejected drum is split off, and a signed act frees the others. */

async function world(fail: object = {}) {
  const bench = await ReviewBench.open();
  const { database, clock, site, statements } = bench.bench;
  await bench.announce();
  const results = [goodResult(1), goodResult(2, { decision: 'fail', ...fail })];
  await bench.settle(goodParts(results));
  const changes = new ReceiptChangesService(
    { site, evaluate: (trx, id, now) => statements.evaluateInTransaction(trx, id, now) },
    bench.receipts,
  );
  const parts = [
    { receiptId: 'R-2', scanText: 'GR-2', containers: ['C-1'] },
    { receiptId: 'R-3', scanText: 'GR-3', containers: ['C-2'] },
  ];
  const by = { actor: COMMAND_LINE, now: clock.now(), source: 'drum 2 rejected' };
  await database.transact((trx) => changes.split(trx, { receiptId: 'R-1', seen: null, parts }, by));
  const { signing } = bench;
  const origins = new OriginReviewService({
    database,
    clock,
    site,
    signing,
    onSigned: () => undefined,
  });
  const sign = async (who: SigningRequest, shownSha256?: string) => {
    const shown = shownSha256 ?? (await origins.show('R-2'))?.sha256 ?? '';
    return origins.sign('R-2', { shownSha256: shown, reason: 'drum 2 is locked away' }, who);
  };
  const undivided = async (id: string) => {
    const { conditions } = await statements.fresh(id, 'tester');
    return conditions.find((c) => c.code === 'receipt-undivided')?.state;
  };
  return { bench, origins, sign, undivided };
}

/** It once conformed, says a statement before all others. */
async function conformed({ db }: OpenDatabase, receiptId: string): Promise<void> {
  await db
    .insertInto('statement')
    .values({
      site: SITE.site,
      receipt_id: receiptId,
      revision: 0,
      outcome: 'conforms',
      document: '{}',
      digest: '',
      facts_version: 0,
      evaluated_at: NOW,
    })
    .execute();
}

describe('what came of a receipt that did not conform', () => {
  it('is judged by itself once a reviewer who measured none of it has signed', async () => {
    const { bench, origins, sign, undivided } = await world();
    expect(await undivided('R-2')).toBe('unmet');
    expect(await origins.show('R-2')).toMatchObject({
      origins: [
        { receiptId: 'R-1', kind: 'split', outcome: 'does-not-conform', signatureId: null },
      ],
    });
    const operator = await bench.person('oona', { operatorIds: ['op-1'] });
    expect(await sign(operator)).toMatchObject({ why: 'duty-own-result' });
    const reviewer = await bench.person('robin');
    expect(await sign(reviewer, '0'.repeat(64))).toMatchObject({ why: 'signature-stale' });
    expect(await undivided('R-2')).toBe('unmet');
    expect(await sign(reviewer)).toMatchObject({ kind: 'signed' });
    expect(await undivided('R-2')).toBe('met');
    // It answers for what was then, also once the receipt has another revision.
    await bench.announce({
      receiptId: 'R-2',
      scanText: 'GR-2',
      containers: ['C-1'],
      retestAt: NOW,
    });
    expect((await origins.show('R-2'))?.signatures).toMatchObject([{ validity: 'valid' }]);
    // The rejected drum stays what it is, and the act is made once.
    expect(await undivided('R-3')).toBe('unmet');
    expect((await bench.bench.statements.fresh('R-3', 'tester')).outcome).toBe('does-not-conform');
    expect(await sign(reviewer)).toMatchObject({ why: 'act-not-possible' });
    const [entry] = await bench.trail('receipt.origin-approved');
    expect(JSON.parse(entry?.after ?? '')).toMatchObject({ origins: ['R-1'] });
  });

  it('is not answered for by who measured the fail of what was split off', async () => {
    const { bench, sign, undivided } = await world({ operatorId: 'op-9' });
    const sid = await bench.person('sid', { operatorIds: ['op-9'] });
    expect(await sign(sid)).toMatchObject({ why: 'duty-own-result' });
    expect(await undivided('R-2')).toBe('unmet');
  });

  it('is in doubt again by what comes to its source later, also where as many go as come', async () => {
    const { bench, origins, undivided } = await world();
    const { database, clock } = bench.bench;
    const { db } = database;
    await bench.announce({ receiptId: 'R-4', scanText: 'GR-4', containers: ['D-1', 'D-2'] });
    await bench.announce({ receiptId: 'R-5', scanText: 'GR-5', containers: ['E-1', 'E-2'] });
    const fail = (n: number) =>
      goodResult(n, { decision: 'fail', receipt: { scanned: 'GR-4', entry: 'scanned' } });
    await bench.settle(goodParts([fail(3), fail(4)], { bundleId: 'B-3' }));
    // As attributions do: one that is known goes elsewhere, and another one comes.
    const give = (resultId: string, receiptId: string | null) =>
      db
        .updateTable('result')
        .set({ receipt_id: receiptId })
        .where('result_id', '=', resultId)
        .execute();
    await give('R-4', null);
    const link = { kind: 'repacked', from: 'R-4', to: 'R-5', containers: ['D-1'], reason: 'leak' };
    await database.transact((trx) =>
      linkReceipts(trx, SITE.site, link as NewLink, {
        actor: COMMAND_LINE,
        now: clock.now(),
        source: 'leak',
      }),
    );
    const shown = (await origins.show('R-5'))?.sha256 ?? '';
    const request = { shownSha256: shown, reason: 'drum 3 is locked away' };
    expect(await origins.sign('R-5', request, await bench.person('robin'))).toMatchObject({
      kind: 'signed',
    });
    const doubtful = () => conformingOfDoubtfulOrigin(db, SITE.site);
    await conformed(database, 'R-5');
    expect([await undivided('R-5'), await doubtful()]).toEqual(['met', []]);
    await give('R-3', null);
    expect([await undivided('R-5'), await doubtful()]).toEqual(['met', []]);
    await give('R-4', 'R-4');
    expect([await undivided('R-5'), await doubtful()]).toEqual(['unmet', ['R-5']]);
    await give('R-4', null);
    await give('R-3', 'R-4');
    expect([await undivided('R-5'), await doubtful()]).toEqual(['met', []]);
  });
});
