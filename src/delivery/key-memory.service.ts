import { addMs, type Instant } from '../formats/instant.js';
import type { Destination } from '../site/site-folder.js';
import type { Reader, Trx } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import { keyHoldsAt, keyIsHonoured } from './delivery-mapping.js';
import { firstSentAt } from './delivery-report.store.js';
import { changeDelivery } from './outcome.store.js';

/**
 * True when a delivery may be sent again under its key at that time: the destination honours it and, where it
 * declares how long it remembers one, still does (rule 26). What this life of the database knows no send of, one that a
 * restore ended may have sent as soon as it was created.
 */
export async function keyHolds(
  reader: Reader,
  destination: Destination,
  { id, created_at: createdAt }: Pick<DeliveryRow, 'id' | 'created_at'>,
  at: Instant,
): Promise<boolean> {
  if (!keyIsHonoured(destination) || destination.keyLifetimeMs === undefined) {
    return keyIsHonoured(destination);
  }
  return keyHoldsAt(destination, (await firstSentAt(reader, id)) ?? createdAt, at);
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
    if (state !== 'uncertain' || (await keyHolds(trx, destination, row, now))) {
      leaving.push(row);
      continue;
    }
    // A moment later, so that whoever looks for what becomes due next finds it.
    await changeDelivery(trx, { id, state, fence }, { state, next_ask_at: addMs(now, 1) });
  }
  return leaving;
}
