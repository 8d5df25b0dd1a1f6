import { expect, it } from 'vitest';
import {
  IN_DOUBT_AT_ONCE,
  UnreadableEvidence,
} from '../../src/pipeline/unreadable-evidence.service.js';
import { type ReceiptLocks, transactLocking } from '../../src/receipts/receipt-locks.store.js';
import type { Trx } from '../../src/storage/database.js';
import { time } from '../statements/conforming-facts.js';
import { StatementWorld } from '../statements/statement-world.js';

/** Bytes that nobody can read: in doubt is whatever was there when they arrived (release-safety rule 10). */

async function conforming(): Promise<{ world: StatementWorld; evidence: UnreadableEvidence }> {
  const world = await StatementWorld.open();
  await world.conform();
  expect((await world.told()).at(-1)).toBe('3 conforms');
  return { world, evidence: new UnreadableEvidence(world.site, world.statements) };
}

function stored(
  { database, site }: StatementWorld,
  work: (trx: Trx, locks: ReceiptLocks) => Promise<unknown>,
) {
  return transactLocking(database, site.site, work);
}

function bytes(receivedAt: string) {
  return { id: 'intake-1', receivedAt: time(receivedAt), message: 'the document ends too early' };
}

it('suspends every conforming receipt in the transaction that stores them, anywhere on the site', async () => {
  const { world, evidence } = await conforming();
  const hasStop = await stored(world, (trx, locks) =>
    evidence.open(trx, locks, bytes('08:59'), time('09:01')),
  );
  expect(hasStop).toBe(true);
  expect(await world.told()).toEqual([
    '1 incomplete',
    '2 incomplete',
    '3 conforms',
    '4 incomplete',
  ]);
  expect(await world.stops()).toEqual(['4 suspend']);
  const [open] = await world.database.db.selectFrom('discrepancy').selectAll().execute();
  expect(open).toMatchObject({
    class: 'unreadable',
    subject: 'bundle:intake-1',
    receipt_id: null,
    closed_at: null,
  });
  expect(open?.detail).toContain('the document ends too early');
  const statement = await world.statements.fresh('R-1', 'erp');
  const condition = statement.conditions.find((c) => c.code === 'no-open-discrepancy');
  expect(condition).toMatchObject({ state: 'unmet' });
  expect(condition?.evidence).toContainEqual({ kind: 'discrepancy', id: 'bundle:intake-1' });
});

it('stops however many it puts in doubt, those behind the first ones by the next rounds, and lets none leave meanwhile', async () => {
  const { world, evidence } = await conforming();
  const { db } = world.database;
  const [receipt] = await db.selectFrom('receipt').selectAll().where('id', '=', 'R-1').execute();
  const [statement] = await db
    .selectFrom('statement')
    .selectAll()
    .where('receipt_id', '=', 'R-1')
    .where('outcome', '=', 'conforms')
    .execute();
  if (!receipt || !statement) throw new Error('R-1 does not conform');
  const others = Array.from({ length: IN_DOUBT_AT_ONCE + 20 }, (_, i) => `S-${100 + i}`);
  for (const id of others) {
    const copy = { ...receipt, id, scan_text: id, evaluation_due: 0 as const };
    await db.insertInto('receipt').values(copy).execute();
    await db
      .insertInto('statement')
      .values({ ...statement, receipt_id: id, revision: 1 })
      .execute();
  }
  await stored(world, (trx, locks) => evidence.open(trx, locks, bytes('08:59'), time('09:01')));
  const stopped = async () => {
    const rows = await db.selectFrom('stop').select('receipt_id').distinct().execute();
    return rows.map((row) => row.receipt_id);
  };
  const due = async () => {
    const rows = await db
      .selectFrom('receipt')
      .select('id')
      .where('evaluation_due', '=', 1)
      .execute();
    return rows.map((row) => row.id);
  };
  expect(await stopped()).toHaveLength(IN_DOUBT_AT_ONCE);
  expect([...(await stopped()), ...(await due())].sort()).toEqual(['R-1', ...others]);
  await world.statements.evaluateDue(15);
  await world.statements.evaluateDue(15);
  expect((await stopped()).sort()).toEqual(['R-1', ...others]);
  expect(await due()).toEqual([]);
});

it('leaves a receipt alone whose goods came after the bytes', async () => {
  const { world, evidence } = await conforming();
  const hasStop = await stored(world, (trx, locks) =>
    evidence.open(trx, locks, bytes('07:59'), time('09:01')),
  );
  expect(hasStop).toBe(false);
  expect(await world.stops()).toEqual([]);
  expect((await world.statements.fresh('R-1', 'erp')).outcome).toBe('conforms');
});

it('leaves nothing behind when the transaction of the bytes does not commit', async () => {
  const { world, evidence } = await conforming();
  const failing = stored(world, async (trx, locks) => {
    await evidence.open(trx, locks, bytes('08:59'), time('09:01'));
    throw new Error('the disk is full');
  });
  await expect(failing).rejects.toThrow('the disk is full');
  expect(await world.stops()).toEqual([]);
  expect(await world.database.db.selectFrom('discrepancy').selectAll().execute()).toEqual([]);
});
