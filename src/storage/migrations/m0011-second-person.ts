import type { Kysely } from 'kysely';

/** What lifted a stop, and who was told over the second channel of one that is not effective. */
export async function up(db: Kysely<unknown>): Promise<void> {
  for (const [name, type] of [
    ['lifted_at', 'bigint'],
    ['lift_signature_id', 'text'],
    ['investigation', 'text'],
    ['lift_revision', 'integer'],
  ] as const) {
    await db.schema.alterTable('stop').addColumn(name, type).execute();
  }
  await db.schema
    .createTable('stop_escalation')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('site', 'text', (c) => c.notNull())
    .addColumn('stop_id', 'text', (c) => c.notNull())
    .addColumn('number', 'integer', (c) => c.notNull())
    .addColumn('channel', 'text', (c) => c.notNull())
    .addColumn('recipient', 'text', (c) => c.notNull())
    .addColumn('person', 'text', (c) => c.notNull())
    .addColumn('why', 'text', (c) => c.notNull())
    .addColumn('at', 'bigint', (c) => c.notNull())
    .addColumn('finished_at', 'bigint')
    .addColumn('outcome', 'text')
    .addColumn('detail', 'text')
    .addUniqueConstraint('stop_escalation_unique', ['stop_id', 'number'])
    .execute();
}
