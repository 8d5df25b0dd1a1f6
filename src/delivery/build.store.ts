import { sql } from 'kysely';
import type { Sha256 } from '../formats/canonical-json.js';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { skipLocked } from '../storage/dialect.js';
import { preparedMany } from '../storage/many-rows.js';
import { bounded, prepared, preparedForList, preparedInsert } from '../storage/prepared.js';
import type { DeliveryRow, Tables } from '../storage/tables.js';
import { NO_STOP, OPEN_STOP, TO_BUILD } from './open-deliveries.store.js';

interface ToBuild {
  readonly site: string;
  readonly destination: string;
  readonly now: Instant;
  readonly limit: number;
}

/** True when something without a payload is due, stops aside: a first look, which locks nothing. */
export async function isBuildDue(reader: Reader, of: ToBuild): Promise<boolean> {
  return (await UNBUILT.seen(reader, of)).rows.length > 0;
}

/** Stops that are due and have no payload. They are locked by nobody: what is seen here may be gone already. */
export async function unbuiltStops(reader: Reader, of: ToBuild): Promise<readonly DeliveryRow[]> {
  return (await unbuiltStopRows(reader, of)).rows;
}

/**
 * Takes due deliveries that have no payload yet, contrary ones first, and moves them to building. Stops are not
 * among them: they have a way of their own, and must not wait behind what else is built. The rows are as they were
 * before, but for the fence, which the save has to name.
 */
export async function claimBuilds(
  trx: Trx,
  of: ToBuild,
  worker: string,
): Promise<readonly DeliveryRow[]> {
  const { rows } = await UNBUILT.lock(trx, of);
  if (rows.length === 0) return [];
  const { written } = await moveToBuilding(trx, rows, { worker });
  if (written !== rows.length) throw new Error(`${rows.length} rows were locked, ${written} moved`);
  return rows.map((row) => ({ ...row, fence: row.fence + 1 }));
}

function due(db: Reader, of: ToBuild) {
  return db
    .selectFrom('delivery')
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where(TO_BUILD)
    .where('due_at', '<=', of.now)
    .orderBy('contrary', 'desc')
    .orderBy('due_at')
    .orderBy('seq');
}

const UNBUILT = {
  seen: prepared((db, of: ToBuild) => due(db, of).where(NO_STOP).select('id').limit(bounded(1))),
  lock: prepared((db, of: ToBuild) =>
    skipLocked(db, due(db, of).where(NO_STOP).selectAll().limit(bounded(of.limit)), 'delivery'),
  ),
};

const unbuiltStopRows = prepared((db, of: ToBuild) =>
  due(db, of).where(OPEN_STOP).selectAll().limit(bounded(of.limit)),
);

/** Takes one that was only seen; false when it does not stand as it was seen any more. */
export async function takeUnbuilt(
  trx: Trx,
  seen: Pick<DeliveryRow, 'id' | 'fence'>,
  worker: string,
): Promise<boolean> {
  const { id, fence } = seen;
  return (await moveSeenToBuilding(trx, { id, fence, worker })).written === 1;
}

const moveSeenToBuilding = prepared(
  (db, of: Pick<DeliveryRow, 'id' | 'fence'> & { readonly worker: string }) =>
    db
      .updateTable('delivery')
      .set((eb) => ({ state: 'building', fence: eb('fence', '+', 1), claimed_by: of.worker }))
      .where('id', '=', of.id)
      .where(TO_BUILD)
      .where('fence', '=', of.fence),
);

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

/** A delivery that was taken for building, and its payload. */
export interface BuiltDelivery {
  readonly row: Pick<DeliveryRow, 'id' | 'fence'>;
  readonly payload: StoredPayload;
}

/** Stores payload bytes by digest and pins them to the deliveries that are still ours; returns how many are. */
export async function savePayloads(trx: Trx, built: readonly BuiltDelivery[]): Promise<number> {
  // In one order everywhere: two transactions that store the same bytes wait for one another.
  const bytes = new Map(built.map(({ payload }) => [payload.sha256, payload]));
  await insertPayloads(
    trx,
    [...bytes.values()]
      .sort((a, b) => (a.sha256 < b.sha256 ? -1 : 1))
      .map((p) => ({ sha256: p.sha256, size: p.bytes.length, bytes: p.bytes })),
    {},
  );
  const { written } = await pinPayloads(
    trx,
    built.map(({ row: { id, fence }, payload: { sha256, contentType, request } }) => ({
      ...{ id, fence, sha256, contentType, request },
    })),
    {},
  );
  return written;
}

const insertPayloads = preparedMany<Tables['payload_bytes'] & object, never>(
  ['sha256', 'size', 'bytes'],
  (db, rows) =>
    db
      .insertInto('payload_bytes')
      .values(rows as never)
      .onConflict((conflict) => conflict.column('sha256').doNothing()),
);

/** Stores the bytes of a payload under their digest, unless they are there. */
export async function storePayload(
  trx: Trx,
  { sha256, bytes }: Pick<StoredPayload, 'sha256' | 'bytes'>,
): Promise<void> {
  await insertPayload(trx, { sha256, size: bytes.length, bytes });
}

const insertPayload = preparedInsert('payload_bytes', ['sha256']);

type Pinning = Pick<DeliveryRow, 'id' | 'fence'> & Omit<StoredPayload, 'bytes'>;

/**
 * What a life before a restore may have sent is asked about before it is sent. The fault for which a build was made
 * anew stays named until the destination has answered.
 */
const pinPayloads = preparedMany<Pinning, never>(
  ['id', 'fence', 'sha256', 'contentType', 'request'],
  (db, rows) => ({
    compile: () =>
      sql<never>`
        with built (id, fence, sha256, content_type, request) as (values ${sql.join(
          rows.map(
            (row) => sql`(cast(${row.id} as text), cast(${row.fence} as bigint),
              cast(${row.sha256} as text), cast(${row.contentType} as text),
              cast(${row.request} as text))`,
          ),
        )})
        update delivery set
          state = case when delivery.ask_since is null then 'due' else 'uncertain' end,
          next_ask_at = delivery.ask_since, payload_sha256 = built.sha256,
          content_type = built.content_type, request = built.request, claimed_by = null,
          fault = case when delivery.build > 1 then delivery.fault end, reason = null
        from built where delivery.id = built.id and delivery.state = 'building'
          and delivery.fence = built.fence`.compile(db),
  }),
);

export async function payloadBytes(reader: Reader, sha256: string): Promise<Uint8Array> {
  const [row] = (await selectPayload(reader, { sha256 })).rows;
  if (row === undefined) throw new Error(`no payload is stored under ${sha256}`);
  return row.bytes;
}

/** As `payloadBytes` for several, by their digest; larger ones than `sizeMax` and what is not stored are left out. */
export async function payloadsBytes(
  reader: Reader,
  sha256s: readonly string[],
  sizeMax: number,
): Promise<ReadonlyMap<string, Uint8Array>> {
  const { rows } = await selectPayloads(reader, { sizeMax }, sha256s);
  return new Map(rows.map(({ sha256, bytes }) => [sha256, bytes]));
}

const selectPayloads = preparedForList((db, of: { readonly sizeMax: number }, sha256s) =>
  db
    .selectFrom('payload_bytes')
    .select(['sha256', 'bytes'])
    .where('sha256', 'in', sha256s)
    .where('size', '<=', of.sizeMax),
);

const selectPayload = prepared((db, of: { readonly sha256: string }) =>
  db.selectFrom('payload_bytes').select('bytes').where('sha256', '=', of.sha256),
);
