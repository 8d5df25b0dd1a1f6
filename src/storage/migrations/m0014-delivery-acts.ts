import type { Kysely } from 'kysely';
import { dialectOf } from '../dialect.js';

/**
 * What people had done with deliveries that stopped, and how many sends a delivery had behind it when it was taken
 * up again: the limits of the attempt policy count from there.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .alterTable('delivery')
    .addColumn('attempts_before', 'integer', (c) => c.notNull().defaultTo(0))
    .execute();
  await db.schema
    .createTable('delivery_act')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('delivery_id', 'text', (c) => c.notNull())
    .addColumn('version', 'text', (c) => c.notNull())
    .addColumn('act', 'text', (c) => c.notNull())
    .addColumn('done', 'text', (c) => c.notNull())
    .addColumn('made_delivery_id', 'text')
    .addColumn('actor', 'text', (c) => c.notNull())
    .addColumn('reason', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addUniqueConstraint('delivery_act_once', ['delivery_id', 'version'])
    .execute();
  for (const action of ['update', 'delete'] as const) {
    await dialectOf(db).guardRows(db, {
      table: 'delivery_act',
      action,
      message: 'delivery_act rows are kept as written',
    });
  }
}
