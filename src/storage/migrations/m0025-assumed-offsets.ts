import type { Kysely } from 'kysely';

/**
 * Statements took a time whose offset was assumed for known. Every announced receipt is judged anew, and what it is said
 * to conform by leaves no more before that.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await (db as Kysely<{ receipt: { announced: 0 | 1; evaluation_due: 0 | 1 | 2 } }>)
    .updateTable('receipt')
    .set({ evaluation_due: 1 })
    .where('announced', '=', 1)
    .execute();
}
