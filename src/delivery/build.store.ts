import { type RawBuilder, type SqlBool, sql } from 'kysely';
import type { Sha256 } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { bounded, prepared, preparedInsert } from '../storage/prepared.js';
import type { DeliveryRow } from '../storage/tables.js';
import { OPEN_STOP, TO_BUILD } from './open-deliveries.store.js';
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
  const query = of.stopsOnly ? UNBUILT.stops : UNBUILT.all;
  return [...(await query(reader, of)).rows];
}

interface Unbuilt {
  readonly site: string;
  readonly destination: string;
  readonly now: Instant;
  readonly limit: number;
}

const UNBUILT = { all: unbuilt(TO_BUILD), stops: unbuilt(sql`${TO_BUILD} and ${OPEN_STOP}`) };

function unbuilt(which: RawBuilder<SqlBool>) {
  return prepared((db, of: Unbuilt) =>
    db
      .selectFrom('delivery')
      .selectAll()
      .where('site', '=', of.site)
      .where('destination', '=', of.destination)
      .where(which)
      .where('due_at', '<=', of.now)
      .orderBy('contrary', 'desc')
      .orderBy('due_at')
      .orderBy('seq')
      .limit(bounded(of.limit)),
  );
}

/** Moves a delivery to building; returns the fence the save has to name, null when it is gone. */
export async function claimBuild(
  trx: Trx,
  row: DeliveryRow,
  worker: string,
): Promise<number | null> {
  const fence = row.fence + 1;
  const { written } = await moveToBuilding(trx, { id: row.id, held: row.fence, fence, worker });
  return written === 1 ? fence : null;
}

interface BuildClaim {
  readonly id: string;
  readonly held: number;
  readonly fence: number;
  readonly worker: string;
}

const moveToBuilding = prepared((db, claim: BuildClaim) =>
  db
    .updateTable('delivery')
    .set({ state: 'building', fence: claim.fence, claimed_by: claim.worker })
    .where('id', '=', claim.id)
    .where('state', '=', 'due')
    .where('fence', '=', claim.held),
);

export interface StoredPayload {
  readonly sha256: Sha256;
  readonly bytes: Uint8Array;
  readonly contentType: string;
  /** JSON: method and path, placeholders filled. */
  readonly request: string;
}

/** Stores the payload bytes by digest and pins them to the delivery. False when it is no longer ours. */
export async function savePayload(trx: Trx, held: Held, payload: StoredPayload): Promise<boolean> {
  const { sha256, bytes, contentType, request } = payload;
  await insertPayload(trx, { sha256, size: bytes.length, bytes });
  const { written } = await pinPayload(trx, { ...held, sha256, contentType, request });
  return written === 1;
}

const insertPayload = preparedInsert('payload_bytes', ['sha256']);

const pinPayload = prepared((db, to: Held & Omit<StoredPayload, 'bytes'>) =>
  db
    .updateTable('delivery')
    .set({
      state: 'due',
      payload_sha256: to.sha256,
      content_type: to.contentType,
      request: to.request,
      claimed_by: null,
      fault: null,
      reason: null,
    })
    .where('id', '=', to.id)
    .where('state', '=', to.state)
    .where('fence', '=', to.fence),
);

export async function payloadBytes(reader: Reader, sha256: string): Promise<Uint8Array> {
  const [row] = (await selectPayload(reader, { sha256 })).rows;
  if (row === undefined) throw new Error(`no payload is stored under ${sha256}`);
  return row.bytes;
}

const selectPayload = prepared((db, of: { readonly sha256: string }) =>
  db.selectFrom('payload_bytes').select('bytes').where('sha256', '=', of.sha256),
);
