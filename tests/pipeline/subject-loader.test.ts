import { describe, expect, it } from 'vitest';
import { loadSubject } from '../../src/pipeline/subject-loader.store.js';
import type { DeliveryRow } from '../../src/storage/tables.js';
import { time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';

/** What a delivery speaks of, loaded from the rows it names. */

function deliveries(world: StatementWorld, kind: DeliveryRow['subject_kind']) {
  return world.database.db
    .selectFrom('delivery')
    .selectAll()
    .where('subject_kind', '=', kind)
    .where('destination', '=', 'erp')
    .orderBy('subject_revision')
    .execute();
}

async function subjects(world: StatementWorld, kind: DeliveryRow['subject_kind']) {
  const rows = await deliveries(world, kind);
  return Promise.all(rows.map((row) => loadSubject(world.database.db, row)));
}

describe('the subject of a delivery', () => {
  it('names the delivery itself and its key, by which the destination files it', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    const [row] = await deliveries(world, 'statement');
    if (!row) throw new Error('a statement was enqueued');
    expect(await loadSubject(world.database.db, row)).toMatchObject({
      message: 'statement',
      reference: row.id,
      idempotencyKey: row.idempotency_key,
      build: 1,
    });
  });

  it('is a result with the receipt it was matched to, or none', async () => {
    const world = await StatementWorld.open();
    await world.announce();
    await world.measure({ container: 'D-01' });
    await world.measure({ container: 'D-09', receipt: 'RC-UNKNOWN' });
    const loaded = await subjects(world, 'result');
    expect(loaded).toMatchObject([
      {
        message: 'result',
        record: { method: { digest: 'digest of ID-NQ-1001' } },
        receipt: { receiptId: 'R-1', receiptNumber: '4500012345', siteLot: 'NQ26-001' },
      },
      { message: 'result', receipt: null },
    ]);
  });

  it('is the statement of its own revision, not the latest', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.measure({ container: 'D-01', decision: 'fail' });
    const loaded = await subjects(world, 'statement');
    expect(
      loaded.map((s) => ('statement' in s ? [s.statement.revision, s.statement.outcome] : [])),
    ).toEqual([
      [1, 'incomplete'],
      [2, 'incomplete'],
      [3, 'conforms'],
    ]);
    expect(loaded[2]).toMatchObject({ stop: null, coveredContainers: ['D-01', 'D-02'] });
    expect(loaded[0]).toMatchObject({ coveredContainers: [] });
  });

  it('is each stop with its own revision, also when a stricter one came after it', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    await world.openUnowned('gap', { to: time('10:00') });
    await world.measure({ container: 'D-01', decision: 'fail' });
    const loaded = await subjects(world, 'stop');
    expect(
      loaded.map((s) => ('stop' in s ? [s.statement.revision, s.stop?.kind, s.stop?.stopId] : [])),
    ).toEqual(
      (await deliveries(world, 'stop')).map((row, i) => [
        row.subject_revision,
        i === 0 ? 'suspend' : 'withdraw',
        row.subject_id,
      ]),
    );
    expect(loaded).toHaveLength(2);
    // A stopped statement may list containers as covered; none of them may be used.
    expect(loaded[1]).toMatchObject({ statement: { outcome: 'does-not-conform' } });
  });

  it('is an error when the rows it names are not there', async () => {
    const world = await StatementWorld.open();
    await world.conform();
    const [result] = await deliveries(world, 'result');
    const [statement] = await deliveries(world, 'statement');
    if (!result || !statement) throw new Error('both were enqueued');
    const { db } = world.database;
    await expect(loadSubject(db, { ...result, subject_id: 'gone' })).rejects.toThrow();
    await expect(loadSubject(db, { ...statement, subject_revision: 99 })).rejects.toThrow(
      'receipt R-1 has no statement revision 99',
    );
    await db.updateTable('result').set({ record: null }).execute();
    await expect(loadSubject(db, result)).rejects.toThrow('has no record');
  });
});
