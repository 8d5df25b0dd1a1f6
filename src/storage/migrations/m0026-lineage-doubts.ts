import type { Kysely } from 'kysely';

/**
 * What speaks against a receipt was looked for where it had been, also after a split or a merge had taken it along. Every
 * receipt that containers came to or went from is judged anew.
 */
export async function up(db: Kysely<unknown>): Promise<void> {
  await (
    db as Kysely<{
      receipt: { announced: 0 | 1; linked: 0 | 1; evaluation_due: 0 | 1 | 2 };
    }>
  )
    .updateTable('receipt')
    .set({ evaluation_due: 1 })
    .where('announced', '=', 1)
    .where('linked', '=', 1)
    .execute();
}
