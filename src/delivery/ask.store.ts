import { type RawBuilder, type SqlBool, sql } from 'kysely';
import { uuidv7 } from 'uuidv7';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { skipLocked } from '../storage/dialect.js';
import { preparedMany } from '../storage/many-rows.js';
import { bounded, prepared } from '../storage/prepared.js';
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

/** Asks made so far, and when the last send started (the delivery's creation when none is known). */
export async function askHistory(
  reader: Reader,
  row: DeliveryRow,
): Promise<{ readonly asks: number; readonly sentAt: Instant }> {
  const attempts = (await attemptsByKind(reader, { deliveryId: row.id })).rows;
  const asks = attempts.find(({ kind }) => kind === 'ask');
  const sends = attempts.find(({ kind }) => kind === 'send');
  const sentAt = sends?.last_started_at ?? row.created_at;
  // A life before a restore may have sent it until the restore began.
  const doubtSince = Math.max(sentAt, row.ask_since ?? sentAt) as Instant;
  return { asks: Number(asks?.n ?? 0), sentAt: doubtSince };
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
  await insertAttempts(trx, [
    {
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
    },
  ]);
}
