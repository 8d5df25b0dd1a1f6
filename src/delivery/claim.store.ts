import { type SqlBool, sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import { preparedInsertMany, preparedMany } from '../storage/many-rows.js';
import { bounded, prepared, preparedForList } from '../storage/prepared.js';
import type { AttemptRow, DeliveryRow } from '../storage/tables.js';
import { type StoredPayload, storePayload } from './build.store.js';
import { DUE_LATER, NO_STOP, OPEN_STOP, TO_BUILD, UNDER_WAY } from './open-deliveries.store.js';

/** Holds the receipts' rows without counting a change: a stop committed before this is seen, a later one waits. */
export async function holdReceipts(
  trx: Trx,
  site: string,
  receiptIds: Iterable<string>,
): Promise<void> {
  await holdRows(trx, { site }, [...new Set(receiptIds)].sort());
}

/**
 * Before how sends or questions ended is written: whether a *conforms* among them may be sent again is decided by what
 * is stated of its receipt, so that nothing is stated meanwhile. Its end is no fact of the receipt, which is held only.
 * All receipts are taken at once, in the one order.
 */
export async function holdConforms(
  trx: Trx,
  site: string,
  rows: readonly Pick<DeliveryRow, 'barrier' | 'receipt_id'>[],
): Promise<void> {
  if (rows.every(({ barrier }) => barrier === 0)) return;
  const receipts = rows.map(({ receipt_id: id }) => id).filter((id) => id !== null);
  await holdReceipts(trx, site, receipts);
}

/** They are taken in the order of their ids, as by everybody. */
const holdRows = preparedForList((db, of: { readonly site: string }, ids) =>
  forUpdate(
    db,
    db
      .selectFrom('receipt')
      .select('id')
      .where('site', '=', of.site)
      .where('id', 'in', ids)
      .orderBy('id'),
    'receipt',
  ),
);

export async function countInFlight(
  reader: Reader,
  site: string,
  destination: string,
): Promise<number> {
  const [row] = (await countSending(reader, { site, destination })).rows;
  return Number(row?.n ?? 0);
}

const countSending = prepared((db, of: { readonly site: string; readonly destination: string }) =>
  db
    .selectFrom('delivery')
    .select((eb) => eb.fn.countAll<number>().as('n'))
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where(UNDER_WAY)
    .where('state', '=', sql.lit('sending'))
    .where(NO_STOP),
);

/**
 * When a claim was made: by the clock that everybody shares, and on this process's own counter, which nobody sets. Whoever
 * judges a send by its attempt takes it for over a deadline behind `at`, so that is when it has to be over.
 */
export interface Began {
  readonly at: Instant;
  readonly elapsedMs: number;
}

export interface Claim {
  readonly row: DeliveryRow;
  readonly attemptId: string;
  readonly id: string;
  /** Fence of the claim: a late write names it. */
  readonly fence: number;
  readonly worker: string;
  readonly began: Began;
  /** State before the claim: doubtful means an earlier attempt may have arrived. */
  readonly was: DeliveryRow['state'];
}

/**
 * T3: moves deliveries to sending and writes an attempt row for each. They are locked (`lockDueDeliveries`), so
 * nobody else moves them. Commits before the first byte leaves.
 */
export async function claimDeliveries(
  trx: Trx,
  rows: readonly DeliveryRow[],
  worker: string,
  began: Began,
): Promise<readonly Claim[]> {
  if (rows.length === 0) return [];
  const { written } = await moveToSending(trx, rows, { worker });
  if (written !== rows.length) throw new Error(`${rows.length} rows were locked, ${written} moved`);
  const claims = rows.map((row) => claimOf(row, worker, began));
  await insertAttempts(trx, claims.map(openAttempt));
  return claims;
}

/**
 * T3 of a stop that was built before anybody claimed it: its payload, the claim and the attempt row in one commit,
 * before the first byte leaves. Null when it does not stand as it was seen any more: somebody else has it, or it
 * is no longer to be sent.
 */
export async function claimNewStop(
  trx: Trx,
  seen: DeliveryRow,
  payload: StoredPayload,
  worker: string,
  began: Began,
): Promise<Claim | null> {
  const { sha256, contentType, request } = payload;
  await storePayload(trx, payload);
  const pinned = { payload_sha256: sha256, content_type: contentType, request };
  const of = { id: seen.id, seenFence: seen.fence, worker, ...pinned };
  if ((await moveNewToSending(trx, of)).written !== 1) return null;
  const claim = claimOf({ ...seen, ...pinned, fault: null, reason: null }, worker, began);
  await insertAttempts(trx, [openAttempt(claim)]);
  return claim;
}

interface NewClaim extends Pick<DeliveryRow, 'id' | 'payload_sha256' | 'content_type' | 'request'> {
  readonly seenFence: number;
  readonly worker: string;
}

const moveNewToSending = prepared((db, of: NewClaim) =>
  db
    .updateTable('delivery')
    .set((eb) => ({
      state: 'sending',
      payload_sha256: of.payload_sha256,
      content_type: of.content_type,
      request: of.request,
      // A stop built anew still has not got through: no *conforms* leaves before it has (rule 22).
      fault: eb.case().when('build', '>', 1).then(eb.ref('fault')).else(null).end(),
      reason: null,
      attempts: eb('attempts', '+', 1),
      absent_asks: 0,
      next_ask_at: null,
      fence: eb('fence', '+', 1),
      claimed_by: of.worker,
    }))
    .where('id', '=', of.id)
    .where(TO_BUILD)
    .where('fence', '=', of.seenFence),
);

const moveToSending = preparedMany<Pick<DeliveryRow, 'id'>, never, By>(
  ['id'],
  (db, rows, { worker }) =>
    db
      .updateTable('delivery')
      .set((eb) => ({
        state: 'sending',
        attempts: eb('attempts', '+', 1),
        absent_asks: 0,
        next_ask_at: null,
        fence: eb('fence', '+', 1),
        claimed_by: worker,
      }))
      .where(
        'id',
        'in',
        rows.map((row) => row.id),
      )
      .where(sql<SqlBool>`state in ('due', 'uncertain')`),
);

/**
 * True while a delivery stands as it was claimed. It may have been fenced since: a stop was found, or somebody took the
 * claim for one that its worker left.
 */
export async function standsAsClaimed(reader: Reader, claim: Claim): Promise<boolean> {
  const { id, fence } = claim;
  return (await claimed(reader, { id, fence })).rows.length > 0;
}

const claimed = prepared((db, of: Pick<DeliveryRow, 'id' | 'fence'>) =>
  db
    .selectFrom('delivery')
    .select('id')
    .where('id', '=', of.id)
    .where('fence', '=', of.fence)
    .where('state', '=', sql.lit('sending')),
);

/** The claim of a row as it was before. */
function claimOf(row: DeliveryRow, worker: string, began: Began): Claim {
  const { id, state: was } = row;
  const claimed = { state: 'sending', attempts: row.attempts + 1, fence: row.fence + 1 } as const;
  const { fence } = claimed;
  return {
    id,
    row: { ...row, ...claimed },
    attemptId: uuidv7(),
    fence,
    worker,
    began,
    was,
  };
}

interface By {
  readonly worker: string;
}

function openAttempt({ row, attemptId, worker, began }: Claim): AttemptRow {
  return {
    id: attemptId,
    site: row.site,
    delivery_id: row.id,
    number: row.attempts,
    kind: 'send',
    worker,
    fence: row.fence,
    started_at: began.at,
    finished_at: null,
    outcome: null,
    status: null,
    answer: null,
    detail: null,
  };
}

/** The rows of attempts: of sends before their first byte, of asks when they have ended. */
export const insertAttempts = preparedInsertMany('attempt', [
  'id',
  'site',
  'delivery_id',
  'number',
  'kind',
  'worker',
  'fence',
  'started_at',
  'finished_at',
  'outcome',
  'status',
  'answer',
  'detail',
]);

/** When something at this destination becomes due that was not due at `now`; null when nothing is known to. */
export async function nextDueAt(
  reader: Reader,
  site: string,
  destination: string,
  now: Instant,
): Promise<Instant | null> {
  const of = { site, destination, now };
  const found = [...(await nextDue(reader, of)).rows, ...(await nextAsk(reader, of)).rows];
  const instants = found.map(({ at }) => at).filter((at) => at !== null);
  return instants.length === 0 ? null : (Math.min(...instants) as Instant);
}

interface LaterThan {
  readonly site: string;
  readonly destination: string;
  readonly now: Instant;
}

const nextDue = prepared((db, of: LaterThan) =>
  db
    .selectFrom('delivery')
    .select((eb) => eb.fn.min('due_at').as('at'))
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where(DUE_LATER)
    .where('due_at', '>', of.now),
);

const nextAsk = prepared((db, of: LaterThan) =>
  db
    .selectFrom('delivery')
    .select((eb) => eb.fn.min('next_ask_at').as('at'))
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('next_ask_at', '>', of.now),
);

/** True while a stop for this destination is not shown in force there. */
export async function hasOpenStop(
  reader: Reader,
  site: string,
  destination: string,
): Promise<boolean> {
  return (await openStop(reader, { site, destination })).rows.length > 0;
}

const openStop = prepared((db, of: { readonly site: string; readonly destination: string }) =>
  db
    .selectFrom('delivery')
    .select('id')
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where(OPEN_STOP)
    .limit(bounded(1)),
);

/** As `nextDueAt`, for stops alone. */
export async function nextStopDueAt(
  reader: Reader,
  site: string,
  destination: string,
  now: Instant,
): Promise<Instant | null> {
  const [row] = (await nextStop(reader, { site, destination, now })).rows;
  const instants = [row?.due_at ?? null, row?.next_ask_at ?? null].filter((at) => at !== null);
  return instants.length === 0 ? null : (Math.min(...instants) as Instant);
}

const nextStop = prepared((db, of: LaterThan) =>
  db
    .selectFrom('delivery')
    .select((eb) => [
      eb.fn
        .min('due_at')
        .filterWhere(sql<SqlBool>`state in ('due', 'uncertain')`)
        .filterWhere('due_at', '>', of.now)
        .as('due_at'),
      eb.fn.min('next_ask_at').filterWhere('next_ask_at', '>', of.now).as('next_ask_at'),
    ])
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where(OPEN_STOP),
);
