import { type Kysely, sql } from 'kysely';

/**
 * Statements of a lost life that may let a destination release. What was found before is judged when the next list
 * shows it again.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .alterTable('destination_holding')
    .addColumn('may_permit', 'integer', (c) => c.notNull().defaultTo(0))
    .execute();
  await db.schema
    .alterTable('receipt')
    .addColumn('held_permission', 'integer', (c) => c.notNull().defaultTo(0))
    .execute();
  await sql`create index destination_holding_receipt on destination_holding (site, receipt_id)
    where receipt_id is not null`.execute(db);
}
