import { type ExpressionBuilder, type SqlBool, sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import { prepared, preparedInsert } from '../storage/prepared.js';
import { sideBySide } from '../storage/side-by-side.js';
import type { DeliveryRow, DeliveryState, Tables } from '../storage/tables.js';
import { type NewDelivery, UNSENT_STATES } from './new-delivery.js';

/**
 * Puts a message into the outbox in the transaction of the fact it speaks of and returns the delivery's id.
 * The same message for the same destination, revision and build is there once: a second call returns the
 * first one's id.
 */
export async function enqueueDelivery(trx: Trx, delivery: NewDelivery): Promise<string> {
  const seq = await nextSequence(trx, delivery);
  const id = uuidv7();
  const isNew = await insertUnlessThere(trx, rowOf(id, seq, delivery));
  return isNew ? id : await existingId(trx, delivery);
}

const insertUnlessThere = preparedInsert('delivery', [
  'site',
  'subject_kind',
  'subject_id',
  'subject_revision',
  'destination',
  'message',
  'build',
]);

/** Taken under the key's row, so that the order is that of the committing transactions. */
export async function nextSequence(
  trx: Trx,
  delivery: Pick<NewDelivery, 'site' | 'destination' | 'orderingKey'>,
): Promise<number> {
  const { site, destination, orderingKey } = delivery;
  const [row] = (await countKey(trx, { site, destination, orderingKey })).rows;
  if (row === undefined) throw new Error(`the ordering key ${orderingKey} gave no number`);
  return row.next_seq - 1;
}

const countKey = prepared((db, of: Pick<NewDelivery, 'site' | 'destination' | 'orderingKey'>) =>
  db
    .insertInto('ordering_key')
    .values({
      site: of.site,
      destination: of.destination,
      key: of.orderingKey,
      next_seq: 2,
      lease_worker: null,
      lease_until: null,
      fence: 0,
    })
    .onConflict((c) =>
      c.columns(['site', 'destination', 'key']).doUpdateSet((eb) => ({
        next_seq: eb('ordering_key.next_seq', '+', 1),
      })),
    )
    .returning('next_seq'),
);

async function existingId(trx: Trx, delivery: NewDelivery): Promise<string> {
  const { id } = await trx
    .selectFrom('delivery')
    .select('id')
    .where('site', '=', delivery.site)
    .where('subject_kind', '=', delivery.subjectKind)
    .where('subject_id', '=', delivery.subjectId)
    .where('subject_revision', '=', delivery.subjectRevision)
    .where('destination', '=', delivery.destination)
    .where('message', '=', delivery.message)
    .where('build', '=', delivery.build ?? 1)
    .executeTakeFirstOrThrow();
  return id;
}

/** The row of a message that waits to be built. */
export function rowOf(id: string, seq: number, delivery: NewDelivery): DeliveryRow {
  return {
    id,
    site: delivery.site,
    subject_kind: delivery.subjectKind,
    subject_id: delivery.subjectId,
    subject_revision: delivery.subjectRevision,
    receipt_id: delivery.receiptId,
    destination: delivery.destination,
    message: delivery.message,
    build: delivery.build ?? 1,
    state: 'due',
    ordering_key: delivery.orderingKey,
    seq,
    barrier: delivery.isConforms ? 1 : 0,
    contrary: delivery.isContrary ? 1 : 0,
    mapping_digest: delivery.mappingDigest,
    payload_sha256: null,
    content_type: null,
    request: null,
    idempotency_key: `${id}.${delivery.epoch}`,
    created_at: delivery.now,
    due_at: delivery.now,
    attempts: 0,
    absent_asks: 0,
    next_ask_at: null,
    fence: 0,
    claimed_by: null,
    accepted_at: null,
    confirmed_at: null,
    destination_reference: null,
    reason: null,
    fault: null,
    ask_since: null,
    attempts_before: 0,
  };
}

export interface TakenBack {
  /** Never reached their destination and never will. */
  readonly cancelled: readonly string[];
  /** May have reached it; will not be sent again. */
  readonly fenced: readonly string[];
}

/**
 * Part of every stop, in its own transaction: unsent *conforms* of the receipt are cancelled, those that are
 * being sent or are doubtful are fenced. A fenced one stays uncertain and is asked about where that is
 * possible; the outcome of the attempt in flight no longer changes it. Writes no audit entry.
 */
export async function cancelUnsentConforms(
  trx: Trx,
  site: string,
  receiptId: string,
  reason: string,
  now: Instant,
): Promise<TakenBack> {
  const of = { site, receiptId, reason, now };
  const [{ rows: cancelled }, { rows: fenced }] = await sideBySide(trx, [
    () => cancelConforms(trx, of),
    () => fenceConforms(trx, of),
  ]);
  return { cancelled: cancelled.map((r) => r.id), fenced: fenced.map((r) => r.id) };
}

// Written out: SQLite plans an update of deliveries anew at every run when it compares these with bound values.
const IS_STATEMENT = sql<SqlBool>`message = 'statement'`;
const IS_UNSENT = sql<SqlBool>`state in (${sql.join(UNSENT_STATES.map((state) => sql.lit(state)))})`;

interface TakingBack {
  readonly site: string;
  readonly receiptId: string;
  readonly reason: string;
  readonly now: Instant;
}

function conformsOf(db: Reader, of: TakingBack) {
  return db
    .updateTable('delivery')
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .where(IS_STATEMENT)
    .where('barrier', '=', 1);
}

const cancelConforms = prepared((db, of: TakingBack) =>
  conformsOf(db, of)
    .set((eb) => ({
      state: 'cancelled',
      reason: of.reason,
      fence: eb('fence', '+', 1),
      next_ask_at: null,
    }))
    .where(IS_UNSENT)
    .returning('id'),
);

const fenceConforms = prepared((db, of: TakingBack) =>
  conformsOf(db, of)
    .set((eb) => ({
      state: 'uncertain',
      reason: of.reason,
      fence: eb('fence', '+', 1),
      next_ask_at: of.now,
    }))
    .where(sql<SqlBool>`state in ('sending', 'uncertain')`)
    .returning('id'),
);

/**
 * Statements that wait while a later revision is written say something old: they are superseded. A doubtful
 * *conforms* of a lower revision may not be sent again either (rule 21), so it is asked about instead.
 * Returns the superseded ids. Writes no audit entry.
 */
export async function supersedeWaitingStatements(
  trx: Trx,
  of: {
    readonly site: string;
    readonly receiptId: string;
    readonly belowRevision: number;
    readonly now: Instant;
  },
): Promise<readonly string[]> {
  const reason = `statement revision ${of.belowRevision}`;
  const [{ rows: superseded }] = await sideBySide(trx, [
    () => supersedeWaiting(trx, { ...of, reason }),
    () => askAboutDoubtful(trx, { ...of, reason }),
  ]);
  return superseded.map((r) => r.id);
}

type Superseding = TakingBack & { readonly belowRevision: number };

function statementsBelow(db: Reader, of: Superseding) {
  return db
    .updateTable('delivery')
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .where(IS_STATEMENT)
    .where('subject_revision', '<', of.belowRevision);
}

const supersedeWaiting = prepared((db, of: Superseding) =>
  statementsBelow(db, of)
    .set((eb) => ({
      state: 'superseded',
      reason: of.reason,
      fence: eb('fence', '+', 1),
      next_ask_at: null,
    }))
    .where(IS_UNSENT)
    .returning('id'),
);

const askAboutDoubtful = prepared((db, of: Superseding) =>
  statementsBelow(db, of)
    .set((eb) => ({ fence: eb('fence', '+', 1), next_ask_at: of.now }))
    .where(sql<SqlBool>`state = 'uncertain'`)
    .where('barrier', '=', 1),
);

/**
 * Part of holding or superseding a result: what no destination has got yet is cancelled. Where it may have
 * arrived a withdrawal is due, see `destinationsHolding`. Returns the cancelled ids. Writes no audit entry.
 */
export async function cancelUnsentResult(
  trx: Trx,
  site: string,
  resultRowId: string,
  reason: string,
): Promise<readonly string[]> {
  await lockDeliveriesOfResult(trx, site, resultRowId);
  const rows = await trx
    .updateTable('delivery')
    .set((eb) => ({ state: 'cancelled', reason, fence: eb('fence', '+', 1), next_ask_at: null }))
    .where('site', '=', site)
    .where('subject_kind', '=', 'result')
    .where('subject_id', '=', resultRowId)
    .where('state', 'in', [...UNSENT_STATES])
    .where((eb) => eb.not(sentBefore(eb)))
    .returning('id')
    .execute();
  return rows.map((r) => r.id);
}

/**
 * Not built yet, and to be asked about once it is: a life of this database that a restore ended may have sent it. One
 * that has its payload was asked about, and is due only when it was shown absent.
 */
function sentBefore(eb: ExpressionBuilder<Tables, 'delivery'>) {
  return eb.and([eb('ask_since', 'is not', null), eb('payload_sha256', 'is', null)]);
}

/**
 * Nobody writes how a send of it ended from here to the end of the transaction: one that is being sent now, and due
 * again when it is looked at once more, would be neither cancelled nor withdrawn. Where a result has a receipt, its
 * lock has seen to that.
 */
async function lockDeliveriesOfResult(trx: Trx, site: string, resultRowId: string): Promise<void> {
  const query = trx
    .selectFrom('delivery')
    .select('id')
    .where('site', '=', site)
    .where('subject_kind', '=', 'result')
    .where('subject_id', '=', resultRowId)
    .orderBy('id');
  await forUpdate(trx, query, 'delivery').execute();
}

/** A delivery that gave way to a later revision of its result. */
export interface GivenWay {
  readonly id: string;
  readonly destination: string;
}

/**
 * Part of sending a result anew under its next revision: what no destination has of the earlier ones is not sent there any
 * more, also where it was to be sent again because it was shown absent, and frees the key. Left alone is what is withdrawn
 * behind it already: a withdrawal speaks of what is there. Writes no audit entry.
 *
 * @param result at the revision that is sent now
 */
export async function supersedeUnheldResult(
  trx: Trx,
  site: string,
  result: { readonly id: string; readonly revision: number },
  reason: string,
): Promise<readonly GivenWay[]> {
  await lockDeliveriesOfResult(trx, site, result.id);
  return await trx
    .updateTable('delivery')
    .set((eb) => ({ state: 'superseded', reason, fence: eb('fence', '+', 1), next_ask_at: null }))
    .where('site', '=', site)
    .where('subject_kind', '=', 'result')
    .where('subject_id', '=', result.id)
    .where('subject_revision', '<', result.revision)
    .where((eb) =>
      eb.or([
        eb.and([
          eb('state', 'in', [...UNSENT_STATES]),
          eb.not(sentBefore(eb)),
          eb.not(isWithdrawnBehind(eb)),
        ]),
        eb.and([eb('state', '=', 'rejected'), eb('ask_since', 'is', null)]),
        eb.and([eb('state', '=', 'parked'), eb('attempts', '=', 0), eb('ask_since', 'is', null)]),
      ]),
    )
    .returning(['id', 'destination'])
    .execute();
}

/** A withdrawal of the revision that a delivery of a result says is in the outbox for the same destination. */
export function isWithdrawnBehind(eb: ExpressionBuilder<Tables, 'delivery'>) {
  return eb.exists(
    eb
      .selectFrom('withdrawal')
      .innerJoin('delivery as w', 'w.subject_id', 'withdrawal.id')
      .select('w.id')
      .whereRef('withdrawal.result_row_id', '=', 'delivery.subject_id')
      .whereRef('withdrawal.result_revision', '=', 'delivery.subject_revision')
      .whereRef('w.site', '=', 'delivery.site')
      .where('w.subject_kind', '=', sql.lit('withdrawal'))
      .whereRef('w.destination', '=', 'delivery.destination'),
  );
}

const MAY_BE_HELD: readonly DeliveryState[] = ['sending', 'accepted', 'confirmed', 'uncertain'];

/** What a delivery says is at its destination, or may be. */
export function mayBeHeld(eb: ExpressionBuilder<Tables, 'delivery'>) {
  // Written out, as above.
  const isIn = (states: readonly DeliveryState[]) =>
    eb(
      'state',
      'in',
      states.map((state) => sql.lit(state)),
    );
  return eb.or([
    isIn(MAY_BE_HELD),
    eb.and([isIn(UNSENT_STATES), sentBefore(eb)]),
    // Without an attempt of this life, one before a restore may have made some.
    eb.and([
      isIn(['parked']),
      eb.or([eb('attempts', '>', sql.lit(0)), eb('ask_since', 'is not', null)]),
    ]),
    // Refused here, and perhaps taken when the life before had it sent again.
    eb.and([isIn(['rejected']), eb('ask_since', 'is not', null)]),
  ]);
}

/** Destinations that hold this revision of a result or may hold it: each of them gets its withdrawal. */
export function destinationsHolding(
  reader: Reader,
  site: string,
  { id, revision }: { readonly id: string; readonly revision: number },
): Promise<readonly string[]> {
  return holdersOf(reader, site, id, revision);
}

/** Destinations that got a result at any revision, or may have, whether it was withdrawn there or not. */
export function destinationsReached(
  reader: Reader,
  site: string,
  resultRowId: string,
): Promise<readonly string[]> {
  return holdersOf(reader, site, resultRowId, null);
}

async function holdersOf(
  reader: Reader,
  site: string,
  resultRowId: string,
  revision: number | null,
): Promise<readonly string[]> {
  const rows = await reader
    .selectFrom('delivery')
    .select('destination')
    .distinct()
    .where('site', '=', site)
    .where('subject_kind', '=', 'result')
    .where('subject_id', '=', resultRowId)
    .$if(revision !== null, (query) => query.where('subject_revision', '=', revision))
    .where(mayBeHeld)
    .orderBy('destination')
    .execute();
  return rows.map((r) => r.destination);
}
