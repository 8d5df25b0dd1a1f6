import type { Reader } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import { workerIsGone } from '../storage/worker-identity.js';
import { UNDER_WAY } from './open-deliveries.store.js';

/** Deliveries that stand as being built or sent by a worker that is stopped or was declared dead. */
export async function leftByGoneWorkers(reader: Reader, site: string): Promise<DeliveryRow[]> {
  return await underWay(reader, site).where(workerIsGone('delivery.claimed_by')).execute();
}

/** Deliveries that stand as being built or sent by this worker. */
export async function heldByWorker(
  reader: Reader,
  site: string,
  worker: string,
): Promise<DeliveryRow[]> {
  return await underWay(reader, site).where('claimed_by', '=', worker).execute();
}

function underWay(reader: Reader, site: string) {
  return reader
    .selectFrom('delivery')
    .selectAll()
    .where('site', '=', site)
    .where(UNDER_WAY)
    .orderBy('id');
}

/** The open send attempt of a claim: its end was not written. Of the claim only, a later one may have begun. */
export async function openAttempts(
  reader: Reader,
  claim: Pick<DeliveryRow, 'id' | 'fence'>,
): Promise<string[]> {
  const rows = await reader
    .selectFrom('attempt')
    .select('id')
    .where('delivery_id', '=', claim.id)
    .where('kind', '=', 'send')
    .where('fence', '=', claim.fence)
    .where('finished_at', 'is', null)
    .execute();
  return rows.map((r) => r.id);
}
