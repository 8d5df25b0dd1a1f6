import { describe, expect, it } from 'vitest';
import { insertPredecessor } from '../../src/access/accounts.store.js';
import { OriginReviewService } from '../../src/pipeline/origin-review.service.js';
import { StopLiftService } from '../../src/pipeline/stop-lift.service.js';
import type { ReceiptLine } from '../../src/receipts/expectation-line.js';
import type { SigningRequest } from '../../src/signatures/signing-request.js';
import { goodParts, goodResult, NOW, SITE } from '../checks/fixture.js';
import { announcement, ReviewBench } from './review-bench.js';

/** Release-safety rule 15, at sites with and without a second person: nobody lets go on what they announced or changed. */

async function opened() {
  const bench = await ReviewBench.open();
  const { database, clock, site, statements } = bench.bench;
  const { signing } = bench;
  const announceBy = (who: SigningRequest, changes: Partial<ReceiptLine> = {}) =>
    database.transact((trx) =>
      bench.receipts.announce(trx, [announcement(changes)], who.actor, clock.now()),
    );
  const parts = { database, clock, site, signing };
  const origins = new OriginReviewService({ ...parts, onSigned: () => undefined });
  const stops = new StopLiftService({ ...parts, statements, onLifted: () => undefined });
  const both = await bench.person('both', { roles: ['receiver', 'reviewer', 'signer'] });
  const robin = await bench.person('robin', { roles: ['reviewer', 'signer'] });
  return { bench, origins, stops, announceBy, both, robin };
}

async function signatures({ bench }: Awaited<ReturnType<typeof opened>>): Promise<string[]> {
  const rows = await bench.db.selectFrom('signature').select('user_name').execute();
  return rows.map((row) => row.user_name);
}

describe('the origin of a receipt', () => {
  it('is answered for by nobody who announced it by hand, and by anybody else', async () => {
    const world = await opened();
    const { bench, origins, announceBy, both, robin } = world;
    await bench.announce();
    await bench.settle(goodParts([goodResult(1), goodResult(2, { decision: 'fail' })]));
    await announceBy(both, {
      receiptId: 'R-2',
      scanText: 'GR-2',
      containers: ['E-1', 'E-2'],
      comesFrom: { receiptId: 'R-1', as: 'repacked' },
    });
    const sign = async (who: SigningRequest) => {
      const shownSha256 = (await origins.show('R-2'))?.sha256 ?? '';
      return origins.sign('R-2', { shownSha256, reason: 'drum 2 is locked away' }, who);
    };
    expect(await sign(both)).toMatchObject({
      why: 'duty-own-announcement',
      detail: expect.stringMatching(/receipt R-2.*somebody else has to answer for its origin/),
    });
    expect(await signatures(world)).toEqual([]);
    expect(await sign(robin)).toMatchObject({ kind: 'signed' });
  });
});

describe('the stop of a receipt', () => {
  async function stopped() {
    const world = await opened();
    const { bench, stops, announceBy, both } = world;
    await bench.announce();
    await announceBy(both, { manufacturer: 'Maker C (simulated)' });
    await bench.db
      .insertInto('stop')
      .values({
        id: 'stop-1',
        site: SITE.site,
        receipt_id: 'R-1',
        kind: 'suspend',
        statement_revision: 1,
        reason: 'the receipt changed',
        issued_at: NOW,
        effective_at: NOW,
        lifted_at: null,
        lift_signature_id: null,
        investigation: null,
        lift_revision: null,
      })
      .execute();
    const lift = async (who: SigningRequest) => {
      const shownSha256 = (await stops.show('R-1'))?.sha256 ?? '';
      const of = { stopId: 'stop-1', shownSha256, investigation: 'INV-1' };
      return stops.lift('R-1', { ...of, reason: 'the paper shows it' }, who);
    };
    return { ...world, lift };
  }

  it('is lifted by nobody who changed it by hand, and by anybody else', async () => {
    const world = await stopped();
    expect(await world.lift(world.both)).toMatchObject({
      why: 'duty-own-announcement',
      detail: expect.stringMatching(/receipt R-1.*somebody else has to lift its stop/),
    });
    expect(await signatures(world)).toEqual([]);
    expect(await world.lift(world.robin)).toMatchObject({ kind: 'signed', lifted: ['stop-1'] });
  });

  it('is lifted by nobody who changed it under an account that ended', async () => {
    const world = await stopped();
    const { bench, both } = world;
    const again = await bench.person('both2', { roles: ['signer'] });
    await bench.bench.database.transact((trx) =>
      insertPredecessor(trx, {
        predecessor_id: both.accountId ?? '',
        account_id: again.accountId ?? '',
        named_at: NOW,
        named_by: 'cli',
      }),
    );
    expect(await world.lift(again)).toMatchObject({ why: 'duty-own-announcement' });
  });
});
