import { type RawBuilder, type SqlBool, sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { skipLocked } from '../storage/dialect.js';
import { preparedMany } from '../storage/many-rows.js';
import { bounded, prepared, preparedForList } from '../storage/prepared.js';
import type { DeliveryRow } from '../storage/tables.js';
import { insertAttempts } from './claim.store.js';
import { NO_STOP, OPEN_STOP } from './open-deliveries.store.js';
import type { AttemptEnd } from './outcome.store.js';

interface ToAsk {
  readonly site: string;
  readonly destination: string;
  readonly stops: boolean;
  readonly now: Instant;
  readonly limit: number;
}

/** True when a read-back is due: a first look, which locks nothing. */
export async function isAskDue(reader: Reader, of: ToAsk): Promise<boolean> {
  return (await queriesOf(of).seen(reader, of)).rows.length > 0;
}

/**
 * Takes accepted or doubtful deliveries whose read-back is due, longest waiting first. The next one of each is
 * set behind this one's deadline, so that it is asked again by itself when this process dies. The rows are as
 * they were before, but for the fence, which a late write has to name.
 */
export async function claimAsks(
  trx: Trx,
  of: ToAsk,
  worker: string,
  askAgainAt: Instant,
): Promise<readonly DeliveryRow[]> {
  const { rows } = await queriesOf(of).lock(trx, of);
  if (rows.length === 0) return [];
  const { written } = await moveAsks(trx, rows, { worker, askAgainAt });
  if (written !== rows.length) throw new Error(`${rows.length} rows were locked, ${written} moved`);
  return rows.map((row) => ({ ...row, fence: row.fence + 1 }));
}

function queriesOf({ stops }: ToAsk) {
  return stops ? ASKS.ofStops : ASKS.ofOthers;
}

const ASKS = { ofStops: asksOf(OPEN_STOP), ofOthers: asksOf(NO_STOP) };

function asksOf(which: RawBuilder<SqlBool>) {
  const due = (db: Reader, of: ToAsk) =>
    db
      .selectFrom('delivery')
      .where('site', '=', of.site)
      .where('destination', '=', of.destination)
      .where(which)
      .where(sql<SqlBool>`state in ('accepted', 'uncertain')`)
      .where('next_ask_at', '<=', of.now)
      .orderBy('next_ask_at');
  return {
    seen: prepared((db, of: ToAsk) => due(db, of).select('id').limit(bounded(1))),
    lock: prepared((db, of: ToAsk) =>
      skipLocked(db, due(db, of).selectAll().limit(bounded(of.limit)), 'delivery'),
    ),
  };
}

interface AskClaim {
  readonly worker: string;
  readonly askAgainAt: Instant;
}

const moveAsks = preparedMany<Pick<DeliveryRow, 'id'>, never, AskClaim>(
  ['id'],
  (db, rows, { worker, askAgainAt }) =>
    db
      .updateTable('delivery')
      .set((eb) => ({
        next_ask_at: askAgainAt,
        fence: eb('fence', '+', 1),
        claimed_by: worker,
      }))
      .where(
        'id',
        'in',
        rows.map((row) => row.id),
      )
      .where(sql<SqlBool>`state in ('accepted', 'uncertain')`),
);

/**
 * Asks made so far, and when the last send started (the delivery's creation when none is known). Where that lies ahead
 * of the clock, which has been set back since, the first question behind the send stands for it: the send was before.
 */
export interface AskHistory {
  readonly asks: number;
  readonly sentAt: Instant;
}

/** The history of each of these deliveries, by its id. */
export async function askHistories(
  reader: Reader,
  rows: readonly DeliveryRow[],
  now: Instant,
): Promise<ReadonlyMap<string, AskHistory>> {
  const ids = rows.map(({ id }) => id);
  const attempts = (await attemptsByKind(reader, {}, ids)).rows;
  const histories = new Map<string, AskHistory>();
  for (const row of rows) {
    const own = attempts.filter(({ delivery_id: id }) => id === row.id);
    const asks = own.find(({ kind }) => kind === 'ask');
    const sends = own.find(({ kind }) => kind === 'send');
    const startedAt = sends?.last_started_at ?? row.created_at;
    const sentAt = startedAt > now ? await firstAskBehindSend(reader, row.id, now) : startedAt;
    // A life before a restore may have sent it until the restore began.
    const doubtSince = Math.max(sentAt, row.ask_since ?? sentAt) as Instant;
    histories.set(row.id, { asks: Number(asks?.n ?? 0), sentAt: doubtSince });
  }
  return histories;
}

/** When it was first asked about behind its last send; now, when it was not, or when that is ahead of the clock too. */
async function firstAskBehindSend(
  reader: Reader,
  deliveryId: string,
  now: Instant,
): Promise<Instant> {
  const lastSend = reader
    .selectFrom('attempt')
    .select((eb) => eb.fn.max('fence').as('fence'))
    .where('delivery_id', '=', deliveryId)
    .where('kind', '=', 'send');
  // The clock may have been set back between two questions, so the earliest may not be the first.
  const row = await reader
    .selectFrom('attempt')
    .select('started_at')
    .where('delivery_id', '=', deliveryId)
    .where('kind', '=', 'ask')
    .where((eb) => eb('fence', '>', eb.fn.coalesce(lastSend, sql<number>`-1`)))
    .where('started_at', '<=', now)
    .orderBy('fence')
    .limit(1)
    .executeTakeFirst();
  return row?.started_at ?? now;
}

const attemptsByKind = preparedForList((db, _none: object, deliveryIds) =>
  db
    .selectFrom('attempt')
    .select((eb) => [
      'delivery_id',
      'kind',
      eb.fn.countAll<number>().as('n'),
      eb.fn.max('started_at').as('last_started_at'),
    ])
    .where('delivery_id', 'in', deliveryIds)
    .groupBy(['delivery_id', 'kind']),
);

/** An ask that has ended. */
export interface EndedAsk {
  readonly row: DeliveryRow;
  readonly number: number;
  readonly worker: string;
  readonly fence: number;
  readonly startedAt: Instant;
  readonly end: AttemptEnd;
}

/** Writes the rows of finished asks; a read that nobody finished changes nothing and leaves none. */
export async function recordAsks(trx: Trx, asks: readonly EndedAsk[]): Promise<void> {
  await insertAttempts(
    trx,
    asks.map(({ row, number, worker, fence, startedAt, end }) => ({
      id: uuidv7(),
      site: row.site,
      delivery_id: row.id,
      number,
      kind: 'ask',
      worker,
      fence,
      started_at: startedAt,
      finished_at: end.finishedAt,
      outcome: end.outcome,
      status: end.status,
      answer: end.answer,
      detail: end.detail,
    })),
  );
}
