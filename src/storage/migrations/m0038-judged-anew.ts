import type { Kysely } from 'kysely';

/**
 * A destination that came back into the site folder was not told of a stop that was issued meanwhile, and a fail that synced
 * after a split spoke against its own part alone. Nothing else may ever ask for such a receipt again, so all are judged anew.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await (db as Kysely<{ receipt: { announced: 0 | 1; evaluation_due: 0 | 1 | 2 } }>)
    .updateTable('receipt')
    .set({ evaluation_due: 1 })
    .where('announced', '=', 1)
    .execute();
}
