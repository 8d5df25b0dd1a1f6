import { type RawBuilder, type SqlBool, sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { bounded, prepared } from '../storage/prepared.js';
import type { DeliveryRow } from '../storage/tables.js';
import { insertAttempt } from './claim.store.js';
import { NO_STOP, OPEN_STOP } from './open-deliveries.store.js';
import type { AttemptEnd } from './outcome.store.js';

/** Accepted or doubtful deliveries whose read-back is due, longest waiting first. */
export async function dueAsks(
  reader: Reader,
  of: {
    readonly site: string;
    readonly destination: string;
    readonly stops: boolean;
    readonly now: Instant;
    readonly limit: number;
  },
): Promise<DeliveryRow[]> {
  return [...(await (of.stops ? ASKS.ofStops : ASKS.ofOthers)(reader, of)).rows];
}

interface DueAsks {
  readonly site: string;
  readonly destination: string;
  readonly now: Instant;
  readonly limit: number;
}

const ASKS = { ofStops: dueAsksOf(OPEN_STOP), ofOthers: dueAsksOf(NO_STOP) };

function dueAsksOf(which: RawBuilder<SqlBool>) {
  return prepared((db, of: DueAsks) =>
    db
      .selectFrom('delivery')
      .selectAll()
      .where('site', '=', of.site)
      .where('destination', '=', of.destination)
      .where(which)
      .where(sql<SqlBool>`state in ('accepted', 'uncertain')`)
      .where('next_ask_at', '<=', of.now)
      .orderBy('next_ask_at')
      .limit(bounded(of.limit)),
  );
}

/**
 * Takes a read-back: its next one is set behind this one's deadline, so that it is asked again by itself
 * when this process dies. Returns the fence a late write has to name, null when somebody else was faster.
 */
export async function claimAsk(
  trx: Trx,
  row: DeliveryRow,
  worker: string,
  askAgainAt: Instant,
): Promise<number | null> {
  const fence = row.fence + 1;
  const to = { id: row.id, state: row.state, held: row.fence, fence, worker, askAgainAt };
  return (await moveAsk(trx, to)).written === 1 ? fence : null;
}

interface AskClaim {
  readonly id: string;
  readonly state: DeliveryRow['state'];
  readonly held: number;
  readonly fence: number;
  readonly worker: string;
  readonly askAgainAt: Instant;
}

const moveAsk = prepared((db, to: AskClaim) =>
  db
    .updateTable('delivery')
    .set({ next_ask_at: to.askAgainAt, fence: to.fence, claimed_by: to.worker })
    .where('id', '=', to.id)
    .where('state', '=', to.state)
    .where('fence', '=', to.held),
);

/** Asks made so far, and when the last send started (the delivery's creation when none is known). */
export async function askHistory(
  reader: Reader,
  row: DeliveryRow,
): Promise<{ readonly asks: number; readonly sentAt: Instant }> {
  const attempts = (await attemptsByKind(reader, { deliveryId: row.id })).rows;
  const asks = attempts.find(({ kind }) => kind === 'ask');
  const sends = attempts.find(({ kind }) => kind === 'send');
  return { asks: Number(asks?.n ?? 0), sentAt: sends?.last_started_at ?? row.created_at };
}

const attemptsByKind = prepared((db, of: { readonly deliveryId: string }) =>
  db
    .selectFrom('attempt')
    .select((eb) => [
      'kind',
      eb.fn.countAll<number>().as('n'),
      eb.fn.max('started_at').as('last_started_at'),
    ])
    .where('delivery_id', '=', of.deliveryId)
    .groupBy('kind'),
);

/** Writes the row of a finished ask; a read that nobody finished changes nothing and leaves none. */
export async function recordAsk(
  trx: Trx,
  row: DeliveryRow,
  ask: {
    readonly number: number;
    readonly worker: string;
    readonly fence: number;
    readonly startedAt: Instant;
    readonly end: AttemptEnd;
  },
): Promise<void> {
  await insertAttempt(trx, {
    id: uuidv7(),
    site: row.site,
    delivery_id: row.id,
    number: ask.number,
    kind: 'ask',
    worker: ask.worker,
    fence: ask.fence,
    started_at: ask.startedAt,
    finished_at: ask.end.finishedAt,
    outcome: ask.end.outcome,
    status: ask.end.status,
    answer: ask.end.answer,
    detail: ask.end.detail,
  });
}
