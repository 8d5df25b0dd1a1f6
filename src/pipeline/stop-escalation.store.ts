import { type SqlBool, sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { StopToEscalate } from '../statements/escalation.js';
import type { Reader, Trx } from '../storage/database.js';
import type { DeliveryState, StopEscalationRow } from '../storage/tables.js';

/** Stops looked at in one round. */
const STOPS_MAX = 200;

/**
 * Stops in force that are not effective, with where they are missing and the last try over the second channel: those first
 * that nobody was told of, then those of longest ago, so that many that stay so keep none behind them from being told.
 */
export async function stopsToEscalate(
  reader: Reader,
  site: string,
  acting: readonly string[],
): Promise<StopToEscalate[]> {
  const stops = await reader
    .selectFrom('stop')
    .select(['id', 'receipt_id', 'kind', 'reason', 'issued_at', 'statement_revision'])
    .where('site', '=', site)
    .where('effective_at', 'is', null)
    .where('lifted_at', 'is', null)
    // A later stop of the receipt says the same and more: one message is enough.
    .where(({ not, exists, selectFrom }) =>
      not(
        exists(
          selectFrom('stop as later')
            .select('later.id')
            .whereRef('later.site', '=', 'stop.site')
            .whereRef('later.receipt_id', '=', 'stop.receipt_id')
            .whereRef('later.statement_revision', '>', 'stop.statement_revision'),
        ),
      ),
    )
    .orderBy(({ selectFrom }) =>
      selectFrom('stop_escalation as tried')
        .select(({ fn, lit }) => fn.coalesce(fn.max('tried.at'), lit(0)).as('at'))
        .whereRef('tried.stop_id', '=', 'stop.id'),
    )
    .orderBy('issued_at')
    .orderBy('id')
    .limit(STOPS_MAX)
    .execute();
  if (stops.length === 0) return [];
  const ids = stops.map((s) => s.id);
  const shown = await reader
    .selectFrom('delivery')
    .select(['subject_id', 'destination'])
    .where('site', '=', site)
    .where('subject_kind', '=', 'stop')
    .where('subject_id', 'in', ids)
    .where('state', '=', 'confirmed')
    .execute();
  const paused = await reader
    .selectFrom('destination')
    .select('name')
    .where('site', '=', site)
    .where('paused', '=', 1)
    .execute();
  const tries = await reader
    .selectFrom('stop_escalation')
    .select(['stop_id', 'number', 'at'])
    .where('stop_id', 'in', ids)
    .orderBy('number')
    .execute();
  const last = new Map(tries.map((t) => [t.stop_id, { number: t.number, at: t.at }]));
  return stops.map((stop) => {
    const there = shown.filter((d) => d.subject_id === stop.id).map((d) => d.destination);
    const waitingFor = acting.filter((name) => !there.includes(name));
    return {
      stop,
      waitingFor,
      paused: waitingFor.filter((name) => paused.some((p) => p.name === name)),
      last: last.get(stop.id) ?? null,
    };
  });
}

/** Whether a destination can be told of a stop now: not while it is paused, nor while it is being told already. */
export async function channelState(
  reader: Reader,
  site: string,
  destination: string,
  stopId: string,
): Promise<'free' | 'busy' | 'paused'> {
  const underWay = await reader
    .selectFrom('delivery')
    .innerJoin('stop_escalation', 'stop_escalation.id', 'delivery.subject_id')
    .select('delivery.id')
    .where('stop_escalation.stop_id', '=', stopId)
    .where('stop_escalation.channel', '=', 'destination')
    .where('delivery.subject_kind', '=', 'stop-escalation')
    .where('delivery.site', '=', site)
    .where('delivery.state', 'in', ['due', 'building', 'sending', 'uncertain'])
    .limit(1)
    .executeTakeFirst();
  if (underWay !== undefined) return 'busy';
  const row = await reader
    .selectFrom('destination')
    .select('paused')
    .where('site', '=', site)
    .where('name', '=', destination)
    .executeTakeFirst();
  return row?.paused === 1 ? 'paused' : 'free';
}

/** In the words of the index of what holds its key. */
const IS_UNSENT_ESCALATION = sql<SqlBool>`message = 'stop-escalation'
  and state in ('due', 'rejected', 'parked')
  and state not in ('accepted', 'confirmed', 'cancelled', 'superseded')`;

function needless(reader: Reader) {
  return reader
    .selectFrom('stop_escalation')
    .innerJoin('stop', 'stop.id', 'stop_escalation.stop_id')
    .select('stop_escalation.id')
    .where((e) =>
      e.or([e('stop.effective_at', 'is not', null), e('stop.lifted_at', 'is not', null)]),
    );
}

/** A first look, which locks nothing. */
export async function hasNeedlessEscalations(
  reader: Reader,
  site: string,
  destination: string,
): Promise<boolean> {
  const row = await reader
    .selectFrom('delivery')
    .select('id')
    .where('site', '=', site)
    .where('destination', '=', destination)
    .where(IS_UNSENT_ESCALATION)
    .where('subject_id', 'in', needless(reader))
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

/** Ends what was not sent about stops that are effective or lifted by now; returns what it ended. */
export async function supersedeNeedlessEscalations(
  trx: Trx,
  site: string,
  destination: string,
): Promise<readonly { readonly id: string; readonly reason: string | null }[]> {
  return await trx
    .updateTable('delivery')
    .set((eb) => ({
      state: 'superseded',
      reason: 'the stop is effective or lifted, and nobody has to be told any more',
      fence: eb('fence', '+', 1),
      next_ask_at: null,
    }))
    .where('site', '=', site)
    .where('destination', '=', destination)
    .where(IS_UNSENT_ESCALATION)
    .where('subject_id', 'in', needless(trx))
    .returning(['id', 'reason'])
    .execute();
}

/** Begins a try; false when another process has begun the same one. */
export async function beginEscalation(
  trx: Trx,
  row: Omit<StopEscalationRow, 'finished_at' | 'outcome' | 'detail'>,
): Promise<boolean> {
  const { numInsertedOrUpdatedRows } = await trx
    .insertInto('stop_escalation')
    .values({ ...row, finished_at: null, outcome: null, detail: null })
    .onConflict((c) => c.columns(['stop_id', 'number']).doNothing())
    .executeTakeFirst();
  return numInsertedOrUpdatedRows === 1n;
}

export async function finishEscalation(
  trx: Trx,
  id: string,
  end: { readonly at: Instant; readonly outcome: 'sent' | 'failed'; readonly detail: string },
): Promise<void> {
  await trx
    .updateTable('stop_escalation')
    .set({ finished_at: end.at, outcome: end.outcome, detail: end.detail })
    .where('id', '=', id)
    .where('outcome', 'is', null)
    .execute();
}

/** A use of the second channel; where it is a destination, with what became of its delivery. */
export type ShownEscalation = StopEscalationRow & {
  readonly delivery_state: DeliveryState | null;
  readonly delivery_reason: string | null;
  readonly confirmed_at: Instant | null;
};

/** Tries over the second channel of these stops, in order. */
export async function escalationsOf(
  reader: Reader,
  stopIds: readonly string[],
): Promise<ShownEscalation[]> {
  if (stopIds.length === 0) return [];
  const rows = await reader
    .selectFrom('stop_escalation')
    .selectAll()
    .where('stop_id', 'in', stopIds)
    .orderBy('stop_id')
    .orderBy('number')
    .execute();
  const sent = rows.filter((row) => row.channel === 'destination').map((row) => row.id);
  const deliveries =
    sent.length === 0
      ? []
      : await reader
          .selectFrom('delivery')
          .select(['subject_id', 'state', 'reason', 'confirmed_at'])
          .where('subject_kind', '=', 'stop-escalation')
          .where('subject_id', 'in', sent)
          .orderBy('build')
          .execute();
  const latest = new Map(deliveries.map((d) => [d.subject_id, d]));
  return rows.map((row) => {
    const delivery = latest.get(row.id);
    return {
      ...row,
      delivery_state: delivery?.state ?? null,
      delivery_reason: delivery?.reason ?? null,
      confirmed_at: delivery?.confirmed_at ?? null,
    };
  });
}

export interface StopTold {
  readonly stopId: string;
  readonly destination: string;
  readonly state: string;
  readonly attempts: number;
  readonly firstSentAt: Instant | null;
  readonly acceptedAt: Instant | null;
  readonly confirmedAt: Instant | null;
  readonly reason: string | null;
}

/** What destinations were told of these stops: when first, when they answered, when they showed it. */
export async function stopDeliveries(
  reader: Reader,
  site: string,
  stopIds: readonly string[],
): Promise<StopTold[]> {
  if (stopIds.length === 0) return [];
  const rows = await reader
    .selectFrom('delivery')
    .select((e) => [
      'id',
      'subject_id',
      'destination',
      'state',
      'attempts',
      'accepted_at',
      'confirmed_at',
      'reason',
      e
        .selectFrom('attempt')
        .select((a) => a.fn.min('attempt.started_at').as('at'))
        .whereRef('attempt.delivery_id', '=', 'delivery.id')
        .where('attempt.kind', '=', 'send')
        .as('first_sent_at'),
    ])
    .where('site', '=', site)
    .where('subject_kind', '=', 'stop')
    .where('subject_id', 'in', stopIds)
    .orderBy('id')
    .execute();
  return rows.map((r) => ({
    stopId: r.subject_id,
    destination: r.destination,
    state: r.state,
    attempts: r.attempts,
    firstSentAt: r.first_sent_at ?? null,
    acceptedAt: r.accepted_at,
    confirmedAt: r.confirmed_at,
    reason: r.reason,
  }));
}
