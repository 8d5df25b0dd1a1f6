import { sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { prepared, preparedInsert } from '../storage/prepared.js';
import type { DeliveryRow } from '../storage/tables.js';
import { DUE_LATER, NO_STOP, UNDER_WAY } from './open-deliveries.store.js';

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
  const [row] = (await countSending(trx, { site, destination })).rows;
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

export interface Claim {
  readonly row: DeliveryRow;
  readonly attemptId: string;
  readonly id: string;
  /** Fence of the claim: a late write names it. */
  readonly fence: number;
  readonly worker: string;
  readonly startedAt: Instant;
  /** State before the claim: doubtful means an earlier attempt may have arrived. */
  readonly was: DeliveryRow['state'];
}

/**
 * T3 of one delivery: moves it to sending and writes its attempt row. Null when somebody
 * else was faster. Commits before the first byte leaves.
 */
export async function claimDelivery(
  trx: Trx,
  row: DeliveryRow,
  worker: string,
  now: Instant,
): Promise<Claim | null> {
  const fence = row.fence + 1;
  const attempts = row.attempts + 1;
  const to = { id: row.id, was: row.state, held: row.fence, attempts, fence, worker };
  if ((await moveToSending(trx, to)).written !== 1) return null;
  const attemptId = uuidv7();
  await insertAttempt(trx, {
    id: attemptId,
    site: row.site,
    delivery_id: row.id,
    number: attempts,
    kind: 'send',
    worker,
    fence,
    started_at: now,
    finished_at: null,
    outcome: null,
    status: null,
    answer: null,
    detail: null,
  });
  const claimed: DeliveryRow = { ...row, state: 'sending', attempts, fence };
  return { row: claimed, attemptId, id: row.id, fence, worker, startedAt: now, was: row.state };
}

/** The row of an attempt: of a send before its first byte, of an ask when it has ended. */
export const insertAttempt = preparedInsert('attempt');

interface SendingClaim {
  readonly id: string;
  readonly was: DeliveryRow['state'];
  readonly held: number;
  readonly attempts: number;
  readonly fence: number;
  readonly worker: string;
}

const moveToSending = prepared((db, to: SendingClaim) =>
  db
    .updateTable('delivery')
    .set({
      state: 'sending',
      attempts: to.attempts,
      absent_asks: 0,
      next_ask_at: null,
      fence: to.fence,
      claimed_by: to.worker,
    })
    .where('id', '=', to.id)
    .where('state', '=', to.was)
    .where('fence', '=', to.held),
);

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
    .where(DUE_LATER)
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
