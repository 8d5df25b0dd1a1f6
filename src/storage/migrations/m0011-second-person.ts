import type { Kysely } from 'kysely';

/** What lifted a stop: the signature, the investigation, and the statement revision from which it no longer counts. */
export async function up(db: Kysely<unknown>): Promise<void> {
  for (const [name, type] of [
    ['lifted_at', 'bigint'],
    ['lift_signature_id', 'text'],
    ['investigation', 'text'],
    ['lift_revision', 'integer'],
  ] as const) {
    await db.schema.alterTable('stop').addColumn(name, type).execute();
  }
}
