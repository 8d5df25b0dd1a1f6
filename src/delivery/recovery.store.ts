import type { Reader } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import { UNDER_WAY } from './open-deliveries.store.js';

/** Deliveries that stand as being built or sent. */
export async function unfinishedDeliveries(
  reader: Reader,
  site: string,
  state: 'building' | 'sending',
): Promise<DeliveryRow[]> {
  return await reader
    .selectFrom('delivery')
    .selectAll()
    .where('site', '=', site)
    .where(UNDER_WAY)
    .where('state', '=', state)
    .orderBy('id')
    .execute();
}

/** The open send attempts of a delivery: those whose end nobody wrote. */
export async function openAttempts(reader: Reader, deliveryId: string): Promise<string[]> {
  const rows = await reader
    .selectFrom('attempt')
    .select('id')
    .where('delivery_id', '=', deliveryId)
    .where('kind', '=', 'send')
    .where('finished_at', 'is', null)
    .execute();
  return rows.map((r) => r.id);
}
