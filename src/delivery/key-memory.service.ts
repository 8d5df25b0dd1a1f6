import type { Instant } from '../formats/instant.js';
import type { Destination } from '../site/site-folder.js';
import type { Reader, Trx } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import { keyHoldsAt, keyIsHonoured } from './delivery-mapping.js';
import { firstSentAt } from './delivery-report.store.js';
import { changeDelivery } from './outcome.store.js';

/**
 * True when a delivery may be sent again under its key at that time: the destination honours it and, where it
 * declares how long it remembers one, still does (rule 26).
 */
export async function keyHolds(
  reader: Reader,
  destination: Destination,
  deliveryId: string,
  at: Instant,
): Promise<boolean> {
  if (!keyIsHonoured(destination) || destination.keyLifetimeMs === undefined) {
    return keyIsHonoured(destination);
  }
  return keyHoldsAt(destination, await firstSentAt(reader, deliveryId), at);
}

/**
 * Of locked deliveries that are to leave, those that may: a doubtful one whose key may be forgotten by now (it waited
 * through a pause) is asked about instead, or parked where nobody can be asked.
 */
export async function withoutForgottenKeys<Row extends DeliveryRow>(
  trx: Trx,
  destination: Destination,
  rows: readonly Row[],
  now: Instant,
): Promise<readonly Row[]> {
  if (destination.keyLifetimeMs === undefined) return rows;
  const leaving: Row[] = [];
  for (const row of rows) {
    const { id, state, fence } = row;
    if (state !== 'uncertain' || (await keyHolds(trx, destination, id, now))) {
      leaving.push(row);
    } else await changeDelivery(trx, { id, state, fence }, { state, next_ask_at: now });
  }
  return leaving;
}
