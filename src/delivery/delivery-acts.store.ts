import { type SqlBool, sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import { preparedInsert } from '../storage/prepared.js';
import type { DeliveryActRow, DeliveryRow } from '../storage/tables.js';
import { HOLDING_KEY } from './open-deliveries.store.js';
import { rowOf } from './outbox.store.js';

/** What waits for a person: parked and rejected ones, and stops that cannot get through. */
const WAITS_FOR_A_PERSON = sql<SqlBool>`(state in ('parked', 'rejected') or (message = 'stop' and fault is not null
  and state in ('due', 'uncertain')))`;
export interface StoppedQuery {
  readonly site: string;
  readonly destination: string | null;
  readonly fault: string | null;
  /** Id of the last one of the page before. */
  readonly after: string | null;
  readonly limit: number;
}

/** Deliveries that stopped, the oldest first. */
export async function stoppedDeliveries(reader: Reader, of: StoppedQuery): Promise<DeliveryRow[]> {
  let query = reader
    .selectFrom('delivery')
    .selectAll()
    .where('site', '=', of.site)
    .where(HOLDING_KEY)
    .where(WAITS_FOR_A_PERSON);
  if (of.destination !== null) query = query.where('destination', '=', of.destination);
  if (of.fault !== null)
    query = query.where('fault', '=', of.fault as DeliveryRow['fault'] & string);
  if (of.after !== null) query = query.where('id', '>', of.after);
  return await query.orderBy('id').limit(of.limit).execute();
}

export interface StoppedCount {
  readonly destination: string;
  readonly state: string;
  readonly fault: string | null;
  readonly count: number;
}

/** How many stopped, for each destination, state and fault. */
export async function stoppedCounts(reader: Reader, site: string): Promise<StoppedCount[]> {
  const rows = await reader
    .selectFrom('delivery')
    .select((eb) => ['destination', 'state', 'fault', eb.fn.countAll<number>().as('count')])
    .where('site', '=', site)
    .where(HOLDING_KEY)
    .where(WAITS_FOR_A_PERSON)
    .groupBy(['destination', 'state', 'fault'])
    .orderBy('destination')
    .orderBy('state')
    .orderBy('fault')
    .execute();
  return rows.map((row) => ({ ...row, count: Number(row.count) }));
}

export async function deliveryById(
  reader: Reader,
  site: string,
  id: string,
): Promise<DeliveryRow | null> {
  const row = await reader
    .selectFrom('delivery')
    .selectAll()
    .where('site', '=', site)
    .where('id', '=', id)
    .executeTakeFirst();
  return row ?? null;
}

/** The same, locked until the transaction ends: after its receipt. */
export async function lockDelivery(trx: Trx, id: string): Promise<DeliveryRow> {
  const query = trx.selectFrom('delivery').selectAll().where('id', '=', id);
  return await forUpdate(trx, query, 'delivery').executeTakeFirstOrThrow();
}

/** Every build of the same message for the same destination, the first one first. */
export async function buildsOf(
  reader: Reader,
  of: Pick<
    DeliveryRow,
    'site' | 'subject_kind' | 'subject_id' | 'subject_revision' | 'destination' | 'message'
  >,
): Promise<Pick<DeliveryRow, 'id' | 'build' | 'state'>[]> {
  return await reader
    .selectFrom('delivery')
    .select(['id', 'build', 'state'])
    .where('site', '=', of.site)
    .where('subject_kind', '=', of.subject_kind)
    .where('subject_id', '=', of.subject_id)
    .where('subject_revision', '=', of.subject_revision)
    .where('destination', '=', of.destination)
    .where('message', '=', of.message)
    .orderBy('build')
    .execute();
}

/** Messages about other revisions or of other kinds that come after it in its key: whether any, and whether any left. */
export async function whatFollows(
  reader: Reader,
  row: DeliveryRow,
): Promise<{ readonly isFollowed: boolean; readonly laterHasLeft: boolean }> {
  const later = await reader
    .selectFrom('delivery')
    .select(['subject_kind', 'subject_id', 'subject_revision', 'state', 'attempts'])
    .where('site', '=', row.site)
    .where('destination', '=', row.destination)
    .where('ordering_key', '=', row.ordering_key)
    .where('seq', '>', row.seq)
    .execute();
  const others = later.filter(
    (d) =>
      d.subject_kind !== row.subject_kind ||
      d.subject_id !== row.subject_id ||
      d.subject_revision !== row.subject_revision,
  );
  const standing = others.filter((d) => d.state !== 'cancelled' && d.state !== 'superseded');
  return {
    isFollowed: standing.length > 0,
    laterHasLeft: others.some((d) => d.attempts > 0 || d.state === 'confirmed'),
  };
}

/** Why what a delivery says is not what stands now (rules 21 and 25); null while it is. */
export async function overtakenBy(reader: Reader, row: DeliveryRow): Promise<string | null> {
  switch (row.subject_kind) {
    case 'result':
      return await resultOvertaken(reader, row);
    // Neither changes any more: an addendum is a revision of its own, and goes out behind the close.
    case 'withdrawal':
    case 'period':
      return null;
    case 'statement':
      return await statementOvertaken(reader, row);
    case 'stop':
      return await stopOvertaken(reader, row);
  }
}

async function resultOvertaken(reader: Reader, row: DeliveryRow): Promise<string | null> {
  const result = await reader
    .selectFrom('result')
    .select(['state', 'revision'])
    .where('id', '=', row.subject_id)
    .executeTakeFirst();
  if (result === undefined) return 'the result is not there any more';
  if (result.state !== 'accepted') return `the result is ${result.state}`;
  if (result.revision === row.subject_revision) return null;
  return `revision ${result.revision} of the result stands`;
}

async function statementOvertaken(reader: Reader, row: DeliveryRow): Promise<string | null> {
  const { revision } = await reader
    .selectFrom('statement')
    .select((eb) => eb.fn.max('revision').as('revision'))
    .where('site', '=', row.site)
    .where('receipt_id', '=', row.subject_id)
    .executeTakeFirstOrThrow();
  if (revision !== null && Number(revision) > row.subject_revision) {
    return `revision ${revision} of the statement stands`;
  }
  const receipt = await reader
    .selectFrom('receipt')
    .select('revision_floor')
    .where('site', '=', row.site)
    .where('id', '=', row.subject_id)
    .executeTakeFirst();
  if (receipt !== undefined && receipt.revision_floor >= row.subject_revision) {
    return `revision ${receipt.revision_floor} is held there from before a restore`;
  }
  if (row.barrier === 0) return null;
  const stop = await reader
    .selectFrom('stop')
    .select('id')
    .where('site', '=', row.site)
    .where('receipt_id', '=', row.subject_id)
    .where('lifted_at', 'is', null)
    .limit(1)
    .executeTakeFirst();
  return stop === undefined ? null : `stop ${stop.id} is in force`;
}

async function stopOvertaken(reader: Reader, row: DeliveryRow): Promise<string | null> {
  const stop = await reader
    .selectFrom('stop')
    .select('lifted_at')
    .where('id', '=', row.subject_id)
    .executeTakeFirst();
  if (stop === undefined) return 'the stop is not there any more';
  if (stop.lifted_at !== null) return 'the stop was lifted by signature';
  const later = await reader
    .selectFrom('delivery')
    .select('subject_revision')
    .where('site', '=', row.site)
    .where('receipt_id', '=', row.receipt_id)
    .where('destination', '=', row.destination)
    .where('message', '=', 'stop')
    .where('subject_revision', '>', row.subject_revision)
    .orderBy('subject_revision', 'desc')
    .limit(1)
    .executeTakeFirst();
  return later === undefined ? null : `a stop of revision ${later.subject_revision} says the same`;
}

/** True until a restored or copied database was resumed. */
export async function isRecovering(reader: Reader): Promise<boolean> {
  const row = await reader
    .selectFrom('instance')
    .select('id')
    .where('recovering', 'is not', null)
    .executeTakeFirst();
  return row !== undefined;
}

/** An act on a delivery as it was shown under this version; null when there was none. */
export async function actOn(
  reader: Reader,
  deliveryId: string,
  version: string,
): Promise<DeliveryActRow | null> {
  const row = await reader
    .selectFrom('delivery_act')
    .selectAll()
    .where('delivery_id', '=', deliveryId)
    .where('version', '=', version)
    .executeTakeFirst();
  return row ?? null;
}

/** Acts on one delivery with the printed name of who had them done, the first one first. */
export async function actsOf(
  reader: Reader,
  deliveryId: string,
): Promise<(DeliveryActRow & { readonly printed_name: string | null })[]> {
  return await reader
    .selectFrom('delivery_act')
    .leftJoin('account', 'account.id', 'delivery_act.actor')
    .selectAll('delivery_act')
    .select('account.printed_name')
    .where('delivery_act.delivery_id', '=', deliveryId)
    .orderBy('delivery_act.at')
    .orderBy('delivery_act.id')
    .execute();
}

export const insertAct = preparedInsert('delivery_act');

/** What an act writes beside the state. */
export interface TakenUp {
  readonly state: 'due' | 'uncertain' | 'superseded';
  readonly due_at?: Instant;
  readonly next_ask_at: Instant | null;
  readonly reason?: string;
  /** Since when another life of this database may have sent it. */
  readonly ask_since?: Instant;
}

/** Moves a locked delivery on. Its fault stays named until the destination answers; its limits count anew. */
export async function takeUp(trx: Trx, row: DeliveryRow, change: TakenUp): Promise<void> {
  const { numUpdatedRows } = await trx
    .updateTable('delivery')
    .set((eb) => ({
      ...change,
      absent_asks: 0,
      claimed_by: null,
      attempts_before: eb.ref('attempts'),
      fence: eb('fence', '+', 1),
    }))
    .where('id', '=', row.id)
    .where('state', '=', row.state)
    .where('fence', '=', row.fence)
    .executeTakeFirst();
  if (numUpdatedRows !== 1n) throw new Error(`delivery ${row.id} moved while it was locked`);
}

export interface NextBuild {
  readonly id: string;
  /** Place at the end of the key, which the build before takes: it holds nothing up there. */
  readonly freeSeq: number;
  readonly mappingDigest: string;
  readonly epoch: number;
  readonly now: Instant;
}

/**
 * Puts build n+1 into the place of build n, which is superseded already: what waits behind goes on waiting. The
 * fault stays named on it until the destination has answered.
 */
export async function insertNextBuild(
  trx: Trx,
  before: DeliveryRow,
  next: NextBuild,
): Promise<DeliveryRow> {
  await trx
    .updateTable('delivery')
    .set({ seq: next.freeSeq })
    .where('id', '=', before.id)
    .execute();
  const made = rowOf(next.id, before.seq, {
    site: before.site,
    subjectKind: before.subject_kind,
    subjectId: before.subject_id,
    subjectRevision: before.subject_revision,
    receiptId: before.receipt_id,
    destination: before.destination,
    message: before.subject_kind,
    build: before.build + 1,
    orderingKey: before.ordering_key,
    isConforms: before.barrier === 1,
    isContrary: before.contrary === 1,
    mappingDigest: next.mappingDigest,
    epoch: next.epoch,
    now: next.now,
  });
  const row: DeliveryRow = { ...made, fault: before.fault, reason: before.reason };
  await trx.insertInto('delivery').values(row).execute();
  return row;
}
