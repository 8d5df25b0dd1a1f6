import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
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
  return await reader
    .selectFrom('delivery')
    .selectAll()
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('message', of.stops ? '=' : '!=', 'stop')
    .where('state', 'in', ['accepted', 'uncertain'])
    .where('next_ask_at', '<=', of.now)
    .orderBy('next_ask_at')
    .limit(of.limit)
    .execute();
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
  const taken = await trx
    .updateTable('delivery')
    .set({ next_ask_at: askAgainAt, fence, claimed_by: worker })
    .where('id', '=', row.id)
    .where('state', '=', row.state)
    .where('fence', '=', row.fence)
    .executeTakeFirst();
  return taken.numUpdatedRows === 1n ? fence : null;
}

/** Asks made so far, and when the last send started (the delivery's creation when none is known). */
export async function askHistory(
  reader: Reader,
  row: DeliveryRow,
): Promise<{ readonly asks: number; readonly sentAt: Instant }> {
  const asks = await reader
    .selectFrom('attempt')
    .select((eb) => eb.fn.countAll<number>().as('n'))
    .where('delivery_id', '=', row.id)
    .where('kind', '=', 'ask')
    .executeTakeFirstOrThrow();
  const sent = await reader
    .selectFrom('attempt')
    .select((eb) => eb.fn.max('started_at').as('at'))
    .where('delivery_id', '=', row.id)
    .where('kind', '=', 'send')
    .executeTakeFirstOrThrow();
  return { asks: Number(asks.n), sentAt: sent.at ?? row.created_at };
}

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
  await trx
    .insertInto('attempt')
    .values({
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
    })
    .execute();
}
