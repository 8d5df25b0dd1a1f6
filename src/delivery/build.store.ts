import type { Sha256 } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import type { Held } from './outcome.store.js';

/** Due deliveries that have no payload yet, contrary ones and stops first. */
export async function unbuiltDeliveries(
  reader: Reader,
  of: {
    readonly site: string;
    readonly destination: string;
    readonly stopsOnly: boolean;
    readonly now: Instant;
    readonly limit: number;
  },
): Promise<DeliveryRow[]> {
  let query = reader
    .selectFrom('delivery')
    .selectAll()
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('state', '=', 'due')
    .where('payload_sha256', 'is', null)
    .where('due_at', '<=', of.now);
  if (of.stopsOnly) query = query.where('message', '=', 'stop');
  return await query
    .orderBy('contrary', 'desc')
    .orderBy('due_at')
    .orderBy('seq')
    .limit(of.limit)
    .execute();
}

/** Moves a delivery to building; returns the fence the save has to name, null when it is gone. */
export async function claimBuild(
  trx: Trx,
  row: DeliveryRow,
  worker: string,
): Promise<number | null> {
  const fence = row.fence + 1;
  const taken = await trx
    .updateTable('delivery')
    .set({ state: 'building', fence, claimed_by: worker })
    .where('id', '=', row.id)
    .where('state', '=', 'due')
    .where('fence', '=', row.fence)
    .executeTakeFirst();
  return taken.numUpdatedRows === 1n ? fence : null;
}

export interface StoredPayload {
  readonly sha256: Sha256;
  readonly bytes: Uint8Array;
  readonly contentType: string;
  /** JSON: method and path, placeholders filled. */
  readonly request: string;
}

/** Stores the payload bytes by digest and pins them to the delivery. False when it is no longer ours. */
export async function savePayload(trx: Trx, held: Held, payload: StoredPayload): Promise<boolean> {
  await trx
    .insertInto('payload_bytes')
    .values({ sha256: payload.sha256, size: payload.bytes.length, bytes: payload.bytes })
    .onConflict((c) => c.column('sha256').doNothing())
    .execute();
  const saved = await trx
    .updateTable('delivery')
    .set({
      state: 'due',
      payload_sha256: payload.sha256,
      content_type: payload.contentType,
      request: payload.request,
      claimed_by: null,
      fault: null,
      reason: null,
    })
    .where('id', '=', held.id)
    .where('state', '=', held.state)
    .where('fence', '=', held.fence)
    .executeTakeFirst();
  return saved.numUpdatedRows === 1n;
}

export async function payloadBytes(reader: Reader, sha256: string): Promise<Uint8Array> {
  const row = await reader
    .selectFrom('payload_bytes')
    .select('bytes')
    .where('sha256', '=', sha256)
    .executeTakeFirstOrThrow();
  return row.bytes;
}
