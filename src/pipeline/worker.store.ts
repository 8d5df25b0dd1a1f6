import type { Instant } from '../formats/instant.js';
import type { Trx } from '../storage/database.js';

export async function registerWorker(trx: Trx, id: string, now: Instant): Promise<void> {
  await trx
    .insertInto('worker')
    .values({ id, started_at: now, heartbeat_at: now, stopped_at: null })
    .execute();
}

export async function retireWorker(trx: Trx, id: string, now: Instant): Promise<void> {
  await trx.updateTable('worker').set({ stopped_at: now }).where('id', '=', id).execute();
}
