import type { Kysely } from 'kysely';

/**
 * Where instruments were in service by the folders in force: a later folder said otherwise of the time before it. What
 * the folder in force says is noted by the next start.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('instrument_service')
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('serial', 'text', (c) => c.notNull())
    .addColumn('area', 'text', (c) => c.notNull())
    .addColumn('from_at', 'bigint', (c) => c.notNull())
    .addColumn('to_at', 'bigint')
    .addPrimaryKeyConstraint('instrument_service_pk', ['site', 'serial', 'area', 'from_at'])
    .execute();
}
