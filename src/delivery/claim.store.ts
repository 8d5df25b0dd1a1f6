import { type ExpressionBuilder, sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import { addMs, type Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import type { DeliveryRow, Tables } from '../storage/tables.js';
import { RELEASING_STATES } from './new-delivery.js';

/** A lease outlasts the request's own deadline by this. */
const LEASE_BEYOND_DEADLINE_MS = 10_000;

/** Faults with which a doubtful delivery may still be sent again under an honoured key. */
const RESENDABLE_FAULTS = ['credentials'] as const;

export type ClaimRow = DeliveryRow & {
  readonly ahead_in_key: number;
  readonly ahead_in_receipt: number;
  readonly is_current: 0 | 1;
};

export interface DueQuery {
  readonly site: string;
  readonly destination: string;
  readonly honoursKey: boolean;
  readonly stops: boolean;
  readonly now: Instant;
  readonly limit: number;
}

/**
 * Built deliveries that are due and first in their key, contrary ones first: known unsent, or doubtful at a
 * destination that honours the key. What waits behind another delivery is not listed, so that it never
 * takes the place of one that could go.
 */
export async function dueDeliveries(reader: Reader, of: DueQuery): Promise<ClaimRow[]> {
  return await reader
    .selectFrom('delivery as d')
    .selectAll('d')
    .select((eb) => [
      sql<number>`0`.as('ahead_in_key'),
      aheadInReceipt(eb).as('ahead_in_receipt'),
      isCurrent(eb).as('is_current'),
    ])
    .where('d.site', '=', of.site)
    .where('d.destination', '=', of.destination)
    .where('d.message', of.stops ? '=' : '!=', 'stop')
    .where('d.payload_sha256', 'is not', null)
    .where('d.due_at', '<=', of.now)
    .where((eb) => {
      const unsent = eb('d.state', '=', 'due');
      if (!of.honoursKey && !of.stops) return unsent;
      return eb.or([unsent, mayBeResent(eb, of.stops)]);
    })
    .where((eb) => (of.stops ? eb.lit(true) : eb.not(eb.exists(earlierInKey(eb)))))
    .where((eb) => eb.or([eb('d.barrier', '=', 0), eb(isCurrent(eb), '=', 1)]))
    .orderBy('d.contrary', 'desc')
    .orderBy('d.due_at')
    .orderBy('d.seq')
    .limit(of.limit)
    .execute();
}

type OfDelivery = ExpressionBuilder<Tables & { d: DeliveryRow }, 'd'>;

function mayBeResent(eb: OfDelivery, stops: boolean) {
  const doubtful = eb.and([eb('d.state', '=', 'uncertain'), eb('d.next_ask_at', 'is', null)]);
  if (stops) return doubtful;
  const harmless = eb.or([eb('d.fault', 'is', null), eb('d.fault', 'in', [...RESENDABLE_FAULTS])]);
  return eb.and([doubtful, harmless]);
}

function earlierInKey(eb: OfDelivery) {
  return eb
    .selectFrom('delivery as e')
    .select('e.id')
    .whereRef('e.site', '=', 'd.site')
    .whereRef('e.destination', '=', 'd.destination')
    .whereRef('e.ordering_key', '=', 'd.ordering_key')
    .whereRef('e.seq', '<', 'd.seq')
    .where('e.state', 'not in', [...RELEASING_STATES]);
}

/** Results and withdrawals of the receipt that are still on their way here; only a *conforms* asks. */
function aheadInReceipt(eb: OfDelivery) {
  const waiting = eb
    .selectFrom('delivery as r')
    .select((e) => e.fn.countAll<number>().as('n'))
    .whereRef('r.site', '=', 'd.site')
    .whereRef('r.receipt_id', '=', 'd.receipt_id')
    .whereRef('r.destination', '=', 'd.destination')
    .where('r.subject_kind', 'in', ['result', 'withdrawal'])
    .where('r.state', 'not in', [...RELEASING_STATES]);
  return sql<number>`case when ${eb.ref('d.barrier')} = 1 then ${waiting} else 0 end`;
}

/** Rule 21: no later statement of the receipt, and no stop in force (stops latch). */
function isCurrent(eb: OfDelivery) {
  const later = eb
    .selectFrom('statement as s')
    .select('s.revision')
    .whereRef('s.site', '=', 'd.site')
    .whereRef('s.receipt_id', '=', 'd.receipt_id')
    .whereRef('s.revision', '>', 'd.subject_revision');
  const stopped = eb
    .selectFrom('stop as p')
    .select('p.id')
    .whereRef('p.site', '=', 'd.site')
    .whereRef('p.receipt_id', '=', 'd.receipt_id');
  return sql<0 | 1>`case when exists ${later} or exists ${stopped} then 0 else 1 end`;
}

/** True while a statement delivery may still be sent by rule 21; anything else always may. */
export async function maySendByRule21(reader: Reader, deliveryId: string): Promise<boolean> {
  const row = await reader
    .selectFrom('delivery as d')
    .select((eb) => ['d.barrier', isCurrent(eb).as('is_current')])
    .where('d.id', '=', deliveryId)
    .executeTakeFirstOrThrow();
  return row.barrier === 0 || row.is_current === 1;
}

/** True when a stop of the receipt is in force; stops latch. */
export async function isStopped(
  reader: Reader,
  site: string,
  receiptId: string | null,
): Promise<boolean> {
  if (receiptId === null) return false;
  const row = await reader
    .selectFrom('stop')
    .select('id')
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

/** Holds the receipts' rows without counting a change: a stop committed before this is seen, a later one waits. */
export async function holdReceipts(
  trx: Trx,
  site: string,
  receiptIds: Iterable<string>,
): Promise<void> {
  for (const id of [...new Set(receiptIds)].sort()) {
    await trx
      .updateTable('receipt')
      .set((eb) => ({ facts_version: eb.ref('facts_version') }))
      .where('site', '=', site)
      .where('id', '=', id)
      .execute();
  }
}

export async function countInFlight(trx: Trx, site: string, destination: string): Promise<number> {
  const { n } = await trx
    .selectFrom('delivery')
    .select((eb) => eb.fn.countAll<number>().as('n'))
    .where('site', '=', site)
    .where('destination', '=', destination)
    .where('state', '=', 'sending')
    .where('message', '!=', 'stop')
    .executeTakeFirstOrThrow();
  return Number(n);
}

/** True when a stop at this destination was refused, broke its contract or proved not effective. */
export async function hasFailingStop(
  trx: Trx,
  site: string,
  destination: string,
): Promise<boolean> {
  const row = await trx
    .selectFrom('delivery')
    .select('id')
    .where('site', '=', site)
    .where('destination', '=', destination)
    .where('state', 'in', ['due', 'building', 'sending', 'uncertain', 'accepted'])
    .where('message', '=', 'stop')
    .where('fault', 'is not', null)
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

export interface Claim {
  readonly row: DeliveryRow;
  readonly attemptId: string;
  /** Fence of the claim: a late write names it. */
  readonly fence: number;
  readonly startedAt: Instant;
  /** State before the claim: doubtful means an earlier attempt may have arrived. */
  readonly was: DeliveryRow['state'];
}

/**
 * T3 of one delivery: leases its key, moves it to sending and writes its attempt row. Null when somebody
 * else was faster. Commits before the first byte leaves.
 */
export async function claimDelivery(
  trx: Trx,
  row: DeliveryRow,
  worker: string,
  deadlineMs: number,
  now: Instant,
): Promise<Claim | null> {
  if (row.message !== 'stop' && !(await leaseKey(trx, row, worker, deadlineMs, now))) return null;
  const fence = row.fence + 1;
  const moved = await trx
    .updateTable('delivery')
    .set({
      state: 'sending',
      attempts: row.attempts + 1,
      absent_asks: 0,
      next_ask_at: null,
      fence,
      claimed_by: worker,
    })
    .where('id', '=', row.id)
    .where('state', '=', row.state)
    .where('fence', '=', row.fence)
    .executeTakeFirst();
  if (moved.numUpdatedRows !== 1n) return null;
  const attemptId = uuidv7();
  await trx
    .insertInto('attempt')
    .values({
      id: attemptId,
      site: row.site,
      delivery_id: row.id,
      number: row.attempts + 1,
      kind: 'send',
      worker,
      fence,
      started_at: now,
      finished_at: null,
      outcome: null,
      status: null,
      answer: null,
      detail: null,
    })
    .execute();
  const claimed: DeliveryRow = { ...row, state: 'sending', attempts: row.attempts + 1, fence };
  return { row: claimed, attemptId, fence, startedAt: now, was: row.state };
}

async function leaseKey(
  trx: Trx,
  row: DeliveryRow,
  worker: string,
  deadlineMs: number,
  now: Instant,
): Promise<boolean> {
  const leased = await trx
    .updateTable('ordering_key')
    .set((eb) => ({
      lease_worker: worker,
      lease_until: addMs(now, deadlineMs + LEASE_BEYOND_DEADLINE_MS),
      fence: eb('fence', '+', 1),
    }))
    .where('site', '=', row.site)
    .where('destination', '=', row.destination)
    .where('key', '=', row.ordering_key)
    .where((eb) => eb.or([eb('lease_worker', 'is', null), eb('lease_until', '<=', now)]))
    .executeTakeFirst();
  return leased.numUpdatedRows === 1n;
}

/** Gives the key back, if this worker still has it. */
export async function releaseKey(
  trx: Trx,
  row: Pick<DeliveryRow, 'site' | 'destination' | 'ordering_key'>,
  worker: string,
): Promise<void> {
  await trx
    .updateTable('ordering_key')
    .set({ lease_worker: null, lease_until: null })
    .where('site', '=', row.site)
    .where('destination', '=', row.destination)
    .where('key', '=', row.ordering_key)
    .where('lease_worker', '=', worker)
    .execute();
}

/** When something at this destination becomes due that is not due yet; null when nothing is known to. */
export async function nextDueAt(
  reader: Reader,
  site: string,
  destination: string,
  now: Instant,
): Promise<Instant | null> {
  const due = await reader
    .selectFrom('delivery')
    .select((eb) => eb.fn.min('due_at').as('at'))
    .where('site', '=', site)
    .where('destination', '=', destination)
    .where('state', 'in', ['due', 'uncertain'])
    .where('due_at', '>', now)
    .executeTakeFirstOrThrow();
  const ask = await reader
    .selectFrom('delivery')
    .select((eb) => eb.fn.min('next_ask_at').as('at'))
    .where('site', '=', site)
    .where('destination', '=', destination)
    .where('next_ask_at', '>', now)
    .executeTakeFirstOrThrow();
  const instants = [due.at, ask.at].filter((at): at is Instant => at !== null);
  return instants.length === 0 ? null : (Math.min(...instants) as Instant);
}
