import type { Trx } from '../storage/database.js';
import type { InstanceRow } from '../storage/tables.js';

/** Has the next start of a database begin another life, wherever it is; returns the row as it was. */
export async function markRestored(trx: Trx): Promise<InstanceRow> {
  const row = await trx.selectFrom('instance').selectAll().executeTakeFirstOrThrow();
  await trx.updateTable('instance').set({ place: null, recovering: 'restored' }).execute();
  return row;
}
