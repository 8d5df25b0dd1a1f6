import { describe, expect, it } from 'vitest';
import { OriginReviewService } from '../../src/pipeline/origin-review.service.js';
import { ReceiptChangesService } from '../../src/receipts/receipt-changes.service.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import { goodParts, goodResult } from '../checks/fixture.js';
import { COMMAND_LINE } from '../support/people.js';
import { ReviewBench } from './review-bench.js';

/** Release-safety rules 16 and 19: a rejected drum is split off, and a signed act frees the others. */

async function world() {
  const bench = await ReviewBench.open();
  const { database, clock, site, statements } = bench.bench;
  await bench.announce();
  await bench.settle(goodParts([goodResult(1), goodResult(2, { decision: 'fail' })]));
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

describe('what came of a receipt that did not conform', () => {
  it('is judged by itself once a reviewer who measured none of it has signed', async () => {
    const { bench, origins, sign, undivided } = await world();
    expect(await undivided('R-2')).toBe('unmet');
    expect(await origins.show('R-2')).toMatchObject({
      origins: [{ receiptId: 'R-1', kind: 'split', outcome: 'does-not-conform', isSigned: false }],
    });
    const operator = await bench.person('oona', { operatorIds: ['op-1'] });
    expect(await sign(operator)).toMatchObject({ why: 'duty-own-result' });
    const reviewer = await bench.person('robin');
    expect(await sign(reviewer, '0'.repeat(64))).toMatchObject({ why: 'signature-stale' });
    expect(await undivided('R-2')).toBe('unmet');
    expect(await sign(reviewer)).toMatchObject({ kind: 'signed' });
    expect(await undivided('R-2')).toBe('met');
    // The rejected drum stays what it is, and the act is made once.
    expect(await undivided('R-3')).toBe('unmet');
    expect((await bench.bench.statements.fresh('R-3', 'tester')).outcome).toBe('does-not-conform');
    expect(await sign(reviewer)).toMatchObject({ why: 'act-not-possible' });
    const [entry] = await bench.trail('receipt.origin-approved');
    expect(JSON.parse(entry?.after ?? '')).toMatchObject({ origins: ['R-1'] });
  });
});
