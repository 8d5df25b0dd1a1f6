import { describe, expect, it } from 'vitest';
import { applyNews } from '../../src/receipts/facts.store.js';
import type { ResultRow } from '../../src/storage/tables.js';
import { Bench, type BenchOptions, SITE } from './northquay-bench.js';
import { type Act, Sink } from './sink.js';

/**
 * Release-safety rules 21 and 25: what was sent of a result and never answered is not posted anew once the result is of another
 * place, or held: it would show where it does not belong.
 */

/** Result a of receipt R-1, whose first send ends so. */
async function sent(act: Act, options: Partial<BenchOptions> = {}) {
  const sink = await Sink.start({ honoursKey: options.honoursKey ?? false });
  const bench = await Bench.open({ baseUrl: sink.url, ...options });
  await bench.announce();
  const row = {
    id: 'a',
    site: SITE,
    result_id: 'a',
    revision: 1,
    bundle_row_id: 'b',
    pointer: '/results/0',
    state: 'accepted',
    contrary: 0,
    receipt_id: 'R-1',
    element_sha256: '0'.repeat(64),
  } as ResultRow;
  const { db } = bench.database;
  await db.insertInto('result').values(row).execute();
  sink.onSend(act);
  const id = await bench.enqueue({ subjectId: 'a' });
  await bench.service.workOnce('lims');
  const overtake = (change: Partial<Pick<ResultRow, 'revision' | 'state'>> = { revision: 2 }) =>
    db.updateTable('result').set(change).where('id', '=', 'a').execute();
  const withdraw = async () => {
    await db
      .insertInto('withdrawal')
      .values({
        id: 'w',
        site: SITE,
        result_row_id: 'a',
        result_id: 'a',
        result_revision: 1,
        receipt_id: 'R-1',
        reason: 'attributed (simulated)',
        document: '{}',
        issued_at: bench.clock.now(),
      })
      .execute();
    const message = { subjectKind: 'withdrawal', message: 'withdrawal' } as const;
    return bench.enqueue({ subjectId: 'w', ...message, orderingKey: 'result:a' });
  };
  return { bench, sink, id, overtake, withdraw };
}

describe('a result in doubt that does not stand any more', () => {
  it.each([
    { change: { revision: 2 }, now: 'of another place' },
    { change: { state: 'held' as const }, now: 'held' },
  ])('is given up once it is shown absent, where it is $now', async ({ change }) => {
    const { bench, sink, id, overtake } = await sent('reset');
    expect(await bench.row(id)).toMatchObject({ state: 'uncertain' });
    await overtake(change);
    const next = await bench.enqueue({ subjectId: 'a', subjectRevision: 2 });
    await overtake({ revision: 2, state: 'accepted' });
    await bench.settle();
    expect(await bench.row(id)).toMatchObject({ state: 'superseded', attempts: 1 });
    expect(sink.entries.map((e) => e.reference)).toEqual([next]);
  });

  it('is confirmed where it is there', async () => {
    const { bench, sink, id, overtake } = await sent('store-then-hang');
    await overtake();
    await bench.settle();
    expect(await bench.row(id)).toMatchObject({ state: 'confirmed' });
    expect(sink.entries).toHaveLength(1);
  });

  it('is sent again where its withdrawal follows it, so that there is something to withdraw', async () => {
    const { bench, sink, id, overtake, withdraw } = await sent('reset');
    await overtake();
    const withdrawal = await withdraw();
    await bench.settle();
    expect(await bench.row(id)).toMatchObject({ state: 'confirmed' });
    expect(sink.entries.map((e) => e.reference)).toEqual([id, withdrawal]);
  });

  it('is asked about and not sent again under a key that is honoured', async () => {
    const { bench, sink, id, overtake } = await sent('reset', { honoursKey: true });
    expect(await bench.row(id)).toMatchObject({ state: 'uncertain', next_ask_at: null });
    await overtake();
    await bench.settle();
    expect(await bench.row(id)).toMatchObject({ state: 'superseded' });
    expect(sink.entries).toEqual([]);
    expect(sink.sends()).toBe(1);
  });

  it('is left to a person where the key is honoured and nobody can be asked', async () => {
    const { bench, sink, id, overtake } = await sent('reset', { honoursKey: true, askable: false });
    await overtake();
    await bench.settle();
    expect(await bench.row(id)).toMatchObject({ state: 'parked', fault: 'cannot-ask' });
    expect(sink.sends()).toBe(1);
  });
});

describe('a result that an earlier version left to be sent again although it does not stand', () => {
  it('is asked about before anything leaves', async () => {
    const { bench, sink, id, overtake } = await sent('reset');
    await overtake();
    const back = { state: 'due', due_at: bench.clock.now(), next_ask_at: null } as const;
    await bench.database.db.updateTable('delivery').set(back).where('id', '=', id).execute();
    await bench.settle();
    expect(await bench.row(id)).toMatchObject({ state: 'superseded' });
    expect(sink.entries).toEqual([]);
    expect(sink.sends()).toBe(1);
    const { db } = bench.database;
    const taken = await db
      .selectFrom('audit_entry')
      .select(['subject_id', 'reason'])
      .where('action', '=', 'delivery.doubt-taken-up')
      .execute();
    expect(taken).toMatchObject([
      { subject_id: id, reason: expect.stringContaining('does not stand') },
    ]);
  });

  it('is not sent again after a send that is known to have failed', async () => {
    const { bench, sink, id, overtake } = await sent({ status: 503 });
    expect(await bench.row(id)).toMatchObject({ state: 'due', attempts: 1 });
    await overtake();
    await bench.settle();
    expect(await bench.row(id)).toMatchObject({ state: 'superseded' });
    expect(sink.entries).toEqual([]);
  });
});

describe('a withdrawal of a receipt that was split', () => {
  it('tells the parts once it is shown, which waited for it and have no delivery of it', async () => {
    const { bench, withdraw } = await sent('store-then-hang');
    const { db } = bench.database;
    await bench.announce('R-3');
    await bench.announce('R-4');
    await insertLinkOf(db, bench);
    await db
      .updateTable('receipt')
      .set({ evaluation_due: 2 })
      .where('id', 'in', ['R-3', 'R-4'])
      .execute();
    await withdraw();
    await bench.settle();
    await applyNews(bench.database, SITE);
    const due = await db
      .selectFrom('receipt')
      .select('id')
      .where('evaluation_due', '=', 1)
      .orderBy('id')
      .execute();
    expect(due.map((r) => r.id)).toEqual(expect.arrayContaining(['R-3', 'R-4']));
  });
});

async function insertLinkOf(db: Bench['database']['db'], bench: Bench): Promise<void> {
  await db
    .insertInto('receipt_link')
    .values({
      id: 'link',
      site: SITE,
      from_receipt: 'R-1',
      to_receipt: 'R-3',
      kind: 'split',
      document: '{}',
      known_contrary: 0,
      reason: 'split at the dock (simulated)',
      actor: 'tester',
      signature_id: null,
      at: bench.clock.now(),
    })
    .execute();
}
