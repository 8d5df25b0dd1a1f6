import { type Kysely, sql } from 'kysely';

/** What a history of a million results found by reading every row of the site, or of the table. */
const INDEXES = [
  ['performance_check_by_id', 'performance_check', ['site', 'check_id']],
  ['receipt_by_received', 'receipt', ['site', 'received_at']],
  ['container_by_printed_label', 'container', ['site', 'label']],
] as const;

export async function up(db: Kysely<unknown>): Promise<void> {
  for (const [name, table, columns] of INDEXES) {
    await db.schema
      .createIndex(name)
      .on(table)
      .columns([...columns])
      .execute();
  }
  await sql`create index delivery_by_reference on delivery (site, destination_reference)
    where destination_reference is not null`.execute(db);
}
