import type { Kysely } from 'kysely';

/** Bundles whose results are compared once more with those that another process settled at the same moment. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('second_look')
    .addColumn('bundle_row_id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .execute();
}
