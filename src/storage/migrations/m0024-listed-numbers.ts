import type { Kysely } from 'kysely';

/** Under which of its own numbers a destination listed a message: one record on two pages is no double. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema.alterTable('sweep_item').addColumn('number', 'text').execute();
}
