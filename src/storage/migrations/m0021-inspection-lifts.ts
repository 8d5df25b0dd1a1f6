import type { Kysely } from 'kysely';
import { dialectOf } from '../dialect.js';

/** Signed acts that take back what an inspection rejected by a count that was entered wrongly. */
export async function up(db: Kysely<unknown>): Promise<void> {
  const table = 'inspection_lift';
  await db.schema
    .createTable(table)
    // The entry it is about: lifted once, and for good.
    .addColumn('inspection_id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('investigation', 'text', (c) => c.notNull())
    .addColumn('signature_id', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .execute();
  await db.schema
    .createIndex('inspection_lift_by_receipt')
    .on(table)
    .columns(['site', 'receipt_id'])
    .execute();
  for (const action of ['update', 'delete'] as const) {
    const message = `${table} rows are kept as written`;
    await dialectOf(db).guardRows(db, { table, action, message });
  }
}
