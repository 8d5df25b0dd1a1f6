import type { Kysely } from 'kysely';
import { dialectOf } from '../dialect.js';

/** Plans for labels and damage that receipts are asked for, and what was inspected by them. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema.alterTable('receipt').addColumn('attribute_plans', 'text').execute();
  const table = 'attribute_inspection';
  await db.schema
    .createTable(table)
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('receipt_id', 'text', (c) => c.notNull())
    .addColumn('receipt_revision', 'integer', (c) => c.notNull())
    .addColumn('attribute', 'text', (c) => c.notNull())
    .addColumn('inspected', 'integer', (c) => c.notNull())
    .addColumn('nonconforming', 'integer', (c) => c.notNull())
    .addColumn('rejected', 'integer', (c) => c.notNull())
    .addColumn('inspected_by', 'text', (c) => c.notNull())
    .addColumn('inspected_text', 'text', (c) => c.notNull())
    .addColumn('inspected_at', 'bigint', (c) => c.notNull())
    .addColumn('reported_by', 'text', (c) => c.notNull())
    .addColumn('signature_id', 'text', (c) => c.notNull())
    .addColumn('shown_sha256', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    // What is shown holds the entries so far: the same page reports once, however often it is sent.
    .addUniqueConstraint('attribute_inspection_once', ['site', 'receipt_id', 'shown_sha256'])
    .execute();
  for (const action of ['update', 'delete'] as const) {
    const message = `${table} rows are kept as written`;
    await dialectOf(db).guardRows(db, { table, action, message });
  }
}
