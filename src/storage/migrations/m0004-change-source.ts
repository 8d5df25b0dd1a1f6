import type { Kysely } from 'kysely';

/** Where a change came from stands in the trail beside who made it. */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema.alterTable('audit_entry').addColumn('source', 'text').execute();
}
