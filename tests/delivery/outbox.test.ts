import { describe, expect, it } from 'vitest';
import {
  cancelUnsentConforms,
  cancelUnsentResult,
  destinationsHolding,
  supersedeWaitingStatements,
} from '../../src/delivery/outbox.store.js';
import type { DeliveryState } from '../../src/storage/tables.js';
import { Bench, SITE } from './northquay-bench.js';

const NOWHERE = { baseUrl: 'http://127.0.0.1:9' };

async function put(bench: Bench, id: string, change: Record<string, unknown>): Promise<void> {
  await bench.database.db.updateTable('delivery').set(change).where('id', '=', id).execute();
}

describe('enqueueDelivery', () => {
  it('numbers the deliveries of one key in order, and each key by itself', async () => {
    const bench = await Bench.open(NOWHERE);
    const ids = [
      await bench.enqueue({ subjectId: 'a', orderingKey: 'k' }),
      await bench.enqueue({ subjectId: 'b', orderingKey: 'k' }),
      await bench.enqueue({ subjectId: 'c', orderingKey: 'other' }),
    ];
    const rows = await Promise.all(ids.map((id) => bench.row(id)));
    expect(rows.map((r) => r.seq)).toEqual([1, 2, 1]);
  });

  it('keys a delivery by its id and the epoch it was created in', async () => {
    const bench = await Bench.open(NOWHERE);
    const id = await bench.enqueue({ subjectId: 'a', epoch: 7 });
    expect(await bench.row(id)).toMatchObject({ idempotency_key: `${id}.7`, state: 'due' });
  });

  it('is there once however often it is put, and a rebuild is another', async () => {
    const bench = await Bench.open(NOWHERE);
    const first = await bench.enqueue({ subjectId: 'a' });
    expect(await bench.enqueue({ subjectId: 'a' })).toBe(first);
    expect(await bench.enqueue({ subjectId: 'a', build: 2 })).not.toBe(first);
    const rows = await bench.database.db.selectFrom('delivery').select('id').execute();
    expect(rows).toHaveLength(2);
  });

  it('leaves nothing when its transaction fails', async () => {
    const bench = await Bench.open(NOWHERE);
    const failing = bench.database.transact(async (trx) => {
      await trx.insertInto('site_evidence').values({ site: SITE, version: 1 }).execute();
      throw new Error('later in the transaction');
    });
    await expect(failing).rejects.toThrow('later');
    expect(await bench.database.db.selectFrom('site_evidence').selectAll().execute()).toEqual([]);
  });
});

describe('cancelUnsentConforms', () => {
  it.each([
    ['due', 'cancelled'],
    ['building', 'cancelled'],
    ['sending', 'uncertain'],
    ['uncertain', 'uncertain'],
    ['accepted', 'accepted'],
    ['confirmed', 'confirmed'],
    ['rejected', 'rejected'],
    ['parked', 'parked'],
  ] as const)('takes a conforms from %s to %s', async (before, after) => {
    const bench = await Bench.open(NOWHERE);
    await bench.announce();
    const id = await bench.state(1, 'conforms');
    await put(bench, id, { state: before });
    const fence = (await bench.row(id)).fence;
    const taken = await bench.database.transact((trx) =>
      cancelUnsentConforms(trx, SITE, 'R-1', 'stop', bench.clock.now()),
    );
    const row = await bench.row(id);
    expect(row.state).toBe(after);
    const isTouched = ['cancelled', 'uncertain'].includes(after);
    expect(row.fence).toBe(isTouched ? fence + 1 : fence);
    expect(taken.cancelled.includes(id)).toBe(after === 'cancelled');
    expect(taken.fenced.includes(id)).toBe(after === 'uncertain');
  });

  it('touches no other receipt, no other statement and no result', async () => {
    const bench = await Bench.open(NOWHERE);
    await bench.announce('R-1');
    await bench.announce('R-2');
    const others = [
      await bench.state(1, 'conforms', 'R-2'),
      await bench.state(1, 'incomplete', 'R-1'),
      await bench.enqueue({ subjectId: 'a', receiptId: 'R-1' }),
    ];
    await bench.database.transact((trx) =>
      cancelUnsentConforms(trx, SITE, 'R-1', 'stop', bench.clock.now()),
    );
    for (const id of others) expect((await bench.row(id)).state).toBe('due');
  });
});

describe('supersedeWaitingStatements', () => {
  it('supersedes what waits below the revision, and asks about a doubtful conforms instead', async () => {
    const bench = await Bench.open(NOWHERE);
    await bench.announce();
    const doubtful = await bench.state(1, 'conforms');
    await put(bench, doubtful, { state: 'uncertain' });
    const waiting = await bench.state(2, 'incomplete');
    const latest = await bench.state(3, 'incomplete');
    expect((await bench.row(waiting)).state).toBe('superseded');
    expect((await bench.row(latest)).state).toBe('due');
    expect(await bench.row(doubtful)).toMatchObject({
      state: 'uncertain',
      next_ask_at: bench.clock.now(),
    });
    const again = await bench.database.transact((trx) =>
      supersedeWaitingStatements(trx, {
        site: SITE,
        receiptId: 'R-1',
        belowRevision: 3,
        now: bench.clock.now(),
      }),
    );
    expect(again).toEqual([]);
  });
});

describe('taking a result back', () => {
  it('cancels what no destination has and names those that may have it', async () => {
    const states: readonly (readonly [DeliveryState, number, boolean])[] = [
      ['due', 0, false],
      ['due', 3, false],
      ['building', 0, false],
      ['sending', 1, true],
      ['accepted', 1, true],
      ['confirmed', 1, true],
      ['uncertain', 1, true],
      ['rejected', 1, false],
      ['parked', 0, false],
      ['parked', 2, true],
    ];
    const bench = await Bench.open(NOWHERE);
    for (const [index, [state, attempts]] of states.entries()) {
      const id = await bench.enqueue({ subjectId: 'row-1', destination: `d${index}` });
      await put(bench, id, { state, attempts });
    }
    const [cancelled, holding] = await bench.database.transact(async (trx) => [
      await cancelUnsentResult(trx, SITE, 'row-1', 'held after delivery'),
      await destinationsHolding(trx, SITE, { id: 'row-1', revision: 1 }),
    ]);
    expect(cancelled).toHaveLength(3);
    expect(holding).toEqual(states.flatMap(([, , holds], i) => (holds ? [`d${i}`] : [])));
  });

  it('withdraws what a life before a restore may have sent and nobody has asked about yet', async () => {
    const bench = await Bench.open(NOWHERE);
    await bench.announce();
    const told = async (subjectId: string) =>
      await bench.database.transact(async (trx) => [
        await cancelUnsentResult(trx, SITE, subjectId, 'held after delivery'),
        await destinationsHolding(trx, SITE, { id: subjectId, revision: 1 }),
      ]);
    const doubtful = await bench.enqueue({ subjectId: 'sent-before' });
    const absent = await bench.enqueue({ subjectId: 'shown-absent' });
    // Built, asked about, and shown absent: it was never there.
    const built = { state: 'due', payload_sha256: '0'.repeat(64) };
    for (const id of [doubtful, absent]) await put(bench, id, { ask_since: bench.clock.now() });
    await put(bench, absent, built);
    expect(await told('sent-before')).toEqual([[], ['lims']]);
    expect(await told('shown-absent')).toEqual([[absent], []]);
    expect((await bench.row(doubtful)).state).toBe('due');
  });
});
