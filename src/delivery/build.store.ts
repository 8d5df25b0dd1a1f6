import { type RawBuilder, type SqlBool, sql } from 'kysely';
import type { Sha256 } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { skipLocked } from '../storage/dialect.js';
import { preparedMany } from '../storage/many-rows.js';
import { bounded, prepared, preparedInsert } from '../storage/prepared.js';
import type { DeliveryRow, DeliveryState } from '../storage/tables.js';
import { OPEN_STOP, TO_BUILD } from './open-deliveries.store.js';

interface ToBuild {
  readonly site: string;
  readonly destination: string;
  readonly stopsOnly: boolean;
  readonly now: Instant;
  readonly limit: number;
}

/** True when something without a payload is due: a first look, which locks nothing. */
export async function isBuildDue(reader: Reader, of: ToBuild): Promise<boolean> {
  return (await queriesOf(of).seen(reader, of)).rows.length > 0;
}

/**
 * Takes due deliveries that have no payload yet, contrary ones and stops first, and moves them to building. The
 * rows are as they were before, but for the fence, which the save has to name.
 */
export async function claimBuilds(
  trx: Trx,
  of: ToBuild,
  worker: string,
): Promise<readonly DeliveryRow[]> {
  const { rows } = await queriesOf(of).lock(trx, of);
  if (rows.length === 0) return [];
  const { written } = await moveToBuilding(trx, rows, { worker });
  if (written !== rows.length) throw new Error(`${rows.length} rows were locked, ${written} moved`);
  return rows.map((row) => ({ ...row, fence: row.fence + 1 }));
}

function queriesOf({ stopsOnly }: ToBuild) {
  return stopsOnly ? UNBUILT.stops : UNBUILT.all;
}

const UNBUILT = { all: unbuilt(TO_BUILD), stops: unbuilt(sql`${TO_BUILD} and ${OPEN_STOP}`) };

function unbuilt(which: RawBuilder<SqlBool>) {
  const due = (db: Reader, of: ToBuild) =>
    db
      .selectFrom('delivery')
      .where('site', '=', of.site)
      .where('destination', '=', of.destination)
      .where(which)
      .where('due_at', '<=', of.now)
      .orderBy('contrary', 'desc')
      .orderBy('due_at')
      .orderBy('seq');
  return {
    seen: prepared((db, of: ToBuild) => due(db, of).select('id').limit(bounded(1))),
    lock: prepared((db, of: ToBuild) =>
      skipLocked(db, due(db, of).selectAll().limit(bounded(of.limit)), 'delivery'),
    ),
  };
}

const moveToBuilding = preparedMany<Pick<DeliveryRow, 'id'>, never, { readonly worker: string }>(
  ['id'],
  (db, rows, { worker }) =>
    db
      .updateTable('delivery')
      .set((eb) => ({ state: 'building', fence: eb('fence', '+', 1), claimed_by: worker }))
      .where(
        'id',
        'in',
        rows.map((row) => row.id),
      )
      .where('state', '=', sql.lit('due')),
);

export interface StoredPayload {
  readonly sha256: Sha256;
  readonly bytes: Uint8Array;
  readonly contentType: string;
  /** JSON: method and path, placeholders filled. */
  readonly request: string;
}

/** Stores the payload bytes by digest and pins them to the delivery. False when it is no longer ours. */
export async function savePayload(
  trx: Trx,
  built: Pick<DeliveryRow, 'id' | 'fence'>,
  payload: StoredPayload,
): Promise<boolean> {
  const { id, fence } = built;
  const { sha256, bytes, contentType, request } = payload;
  await insertPayload(trx, { sha256, size: bytes.length, bytes });
  const { written } = await pinPayload(trx, { id, fence, sha256, contentType, request });
  return written === 1;
}

const insertPayload = preparedInsert('payload_bytes', ['sha256']);

type Pinning = Pick<DeliveryRow, 'id' | 'fence'> & Omit<StoredPayload, 'bytes'>;

const pinPayload = prepared((db, to: Pinning) =>
  db
    .updateTable('delivery')
    .set({
      // What a life before a restore may have sent is asked about before it is sent.
      state: sql<DeliveryState>`case when ask_since is null then 'due' else 'uncertain' end`,
      next_ask_at: sql<Instant | null>`ask_since`,
      payload_sha256: to.sha256,
      content_type: to.contentType,
      request: to.request,
      claimed_by: null,
      fault: null,
      reason: null,
    })
    .where('id', '=', to.id)
    .where('state', '=', sql.lit('building'))
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
