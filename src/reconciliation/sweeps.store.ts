import { type SqlBool, sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { forUpdate } from '../storage/dialect.js';
import type { DeliveryRow, SweepItemRow, SweepRow } from '../storage/tables.js';
import { workerIsGone } from '../storage/worker-identity.js';
import { differencesOf, seenAgain, together } from './sweep-notes.js';
import { differenceKey, type FieldDifference } from './sweep-rules.js';

export async function insertSweep(trx: Trx, row: SweepRow): Promise<void> {
  await trx.insertInto('sweep').values(row).execute();
}

export async function sweepById(
  reader: Reader,
  site: string,
  id: string,
): Promise<SweepRow | undefined> {
  return await reader
    .selectFrom('sweep')
    .selectAll()
    .where('site', '=', site)
    .where('id', '=', id)
    .executeTakeFirst();
}

/** The latest sweeps, newest first. */
export async function recentSweeps(
  reader: Reader,
  site: string,
  destination: string,
  limit: number,
): Promise<SweepRow[]> {
  return await reader
    .selectFrom('sweep')
    .selectAll()
    .where('site', '=', site)
    .where('destination', '=', destination)
    .orderBy('created_at', 'desc')
    .orderBy('id', 'desc')
    .limit(limit)
    .execute();
}

/**
 * When the last sweep by schedule was made, whatever became of it; null before the first. One that a clock wrote which has
 * gone back since does not count: the next would wait for as long as that clock was ahead.
 */
export async function lastScheduledAt(
  reader: Reader,
  site: string,
  destination: string,
  now: Instant,
): Promise<Instant | null> {
  const row = await reader
    .selectFrom('sweep')
    .select((eb) => eb.fn.max('created_at').as('at'))
    .where('site', '=', site)
    .where('destination', '=', destination)
    .where('cause', '=', 'schedule')
    .where('created_at', '<=', now)
    .executeTakeFirst();
  return row?.at ?? null;
}

/**
 * From when on sweeps by schedule have to leave no gap: the end of the last one that was done, else the begin of the first
 * that was put down; null before that.
 */
export async function scheduledFrom(
  reader: Reader,
  site: string,
  destination: string,
): Promise<Instant | null> {
  const row = await reader
    .selectFrom('sweep')
    .select((eb) => [
      eb.fn.max('to_at').filterWhere('state', '=', 'done').as('done'),
      eb.fn.min('from_at').as('first'),
    ])
    .where('site', '=', site)
    .where('destination', '=', destination)
    .where('cause', '=', 'schedule')
    .executeTakeFirst();
  return row?.done ?? row?.first ?? null;
}

const DONE_SINCE_MAX = 1_000;

/** Periods of sweeps that were done and reach beyond a moment, the earliest first. */
export async function doneBeyond(
  reader: Reader,
  of: { readonly site: string; readonly destination: string; readonly beyond: Instant },
): Promise<{ readonly from: Instant; readonly to: Instant }[]> {
  return await reader
    .selectFrom('sweep')
    .select(['from_at as from', 'to_at as to'])
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('state', '=', 'done')
    .where('to_at', '>', of.beyond)
    .orderBy('from_at')
    .limit(DONE_SINCE_MAX)
    .execute();
}

/** The sweep of a destination that goes on next: the oldest that is not finished. */
export async function openSweep(
  reader: Reader,
  site: string,
  destination: string,
): Promise<SweepRow | undefined> {
  return await reader
    .selectFrom('sweep')
    .selectAll()
    .where('site', '=', site)
    .where('destination', '=', destination)
    .where('finished_at', 'is', null)
    .orderBy('created_at')
    .orderBy('id')
    .executeTakeFirst();
}

/** Takes a sweep that nobody alive works on; the fence names this claim. Null when another has it. */
export async function claimSweep(
  trx: Trx,
  id: string,
  worker: string,
): Promise<SweepRow | undefined> {
  return await trx
    .updateTable('sweep')
    .set((eb) => ({ worker, fence: eb('fence', '+', 1) }))
    .where('id', '=', id)
    .where('finished_at', 'is', null)
    .where((eb) =>
      eb.or([eb('worker', 'is', null), eb('worker', '=', worker), workerIsGone('sweep.worker')]),
    )
    .returningAll()
    .executeTakeFirst();
}

export type SweepChange = Partial<
  Omit<SweepRow, 'id' | 'site' | 'destination' | 'cause' | 'created_at' | 'fence'>
>;

/** Writes progress, if the sweep is still ours. False when another worker has it: then nothing changed. */
export async function changeSweep(
  trx: Trx,
  of: Pick<SweepRow, 'id' | 'fence'>,
  change: SweepChange,
): Promise<boolean> {
  const { numUpdatedRows } = await trx
    .updateTable('sweep')
    .set(change)
    .where('id', '=', of.id)
    .where('fence', '=', of.fence)
    .where('finished_at', 'is', null)
    .executeTakeFirst();
  return numUpdatedRows === 1n;
}

/** Locks a sweep until the transaction ends, if it is still ours; false when another worker has it by now. */
export async function holdSweep(trx: Trx, of: Pick<SweepRow, 'id' | 'fence'>): Promise<boolean> {
  const query = trx
    .selectFrom('sweep')
    .select('id')
    .where('id', '=', of.id)
    .where('fence', '=', of.fence)
    .where('finished_at', 'is', null);
  return (await forUpdate(trx, query, 'sweep').executeTakeFirst()) !== undefined;
}

/** Deliveries by the references of a page. */
export async function deliveriesByReference(
  reader: Reader,
  of: { readonly site: string; readonly destination: string },
  references: readonly string[],
): Promise<DeliveryRow[]> {
  if (references.length === 0) return [];
  return await reader
    .selectFrom('delivery')
    .selectAll()
    .where('id', 'in', [...references])
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .execute();
}

/**
 * Notes what a page showed; the same delivery seen again counts up, keeps the worse verdict, and differs in whatever either
 * record does. What an earlier page showed under the same number of the destination is that record again, in a list that
 * shifts while it is read. The caller has locked the sweep.
 */
export async function noteItems(trx: Trx, page: readonly SweepItemRow[]): Promise<void> {
  for (const item of together(page)) {
    const before = await notedItem(trx, item.sweep_id, item.delivery_id);
    if (before === undefined) {
      await trx.insertInto('sweep_item').values(item).execute();
      continue;
    }
    const { count, verdict, differences, detail } = seenAgain(before, item);
    await trx
      .updateTable('sweep_item')
      .set({ count, verdict, differences, detail })
      .where('sweep_id', '=', item.sweep_id)
      .where('delivery_id', '=', item.delivery_id)
      .execute();
  }
}

export interface HeldPlace {
  readonly at: Instant;
  readonly id: string;
}

/** Deliveries that got there in the period and were not listed, in their order after a place. */
export async function unlistedDeliveries(
  reader: Reader,
  sweep: Pick<SweepRow, 'id' | 'site' | 'destination' | 'from_at' | 'to_at'>,
  after: HeldPlace | null,
  limit: number,
): Promise<(DeliveryRow & { readonly held_at: Instant })[]> {
  const heldAt = sql<Instant>`coalesce(accepted_at, confirmed_at)`;
  let query = reader
    .selectFrom('delivery')
    .selectAll()
    .select(heldAt.as('held_at'))
    .where('site', '=', sweep.site)
    .where('destination', '=', sweep.destination)
    .where(sql<SqlBool>`state in ('accepted', 'confirmed')`)
    .where(heldAt, '>=', sweep.from_at)
    .where(heldAt, '<', sweep.to_at)
    .where((eb) =>
      eb.not(
        eb.exists(
          eb
            .selectFrom('sweep_item as i')
            .select('i.delivery_id')
            .where('i.sweep_id', '=', sweep.id)
            .whereRef('i.delivery_id', '=', 'delivery.id'),
        ),
      ),
    )
    .orderBy(heldAt)
    .orderBy('id')
    .limit(limit);
  if (after !== null) {
    query = query.where((eb) =>
      eb.or([
        eb(heldAt, '>', after.at),
        eb.and([eb(heldAt, '=', after.at), eb('id', '>', after.id)]),
      ]),
    );
  }
  return await query.execute();
}

const COUNTED_AT_ONCE = 500;

/** Every field in which listed messages differ from what was sent, with how many do and how many were compared. */
export async function fieldDifferences(
  reader: Reader,
  sweepId: string,
): Promise<FieldDifference[]> {
  const totals = await reader
    .selectFrom('sweep_item')
    .select((eb) => ['message', eb.fn.countAll<number>().as('n')])
    .where('sweep_id', '=', sweepId)
    .groupBy('message')
    .execute();
  const compared = new Map(totals.map((row) => [row.message, Number(row.n)]));
  const counts = new Map<string, FieldDifference>();
  for (let after = ''; ; ) {
    const items = await reader
      .selectFrom('sweep_item')
      .select(['delivery_id', 'message', 'differences'])
      .where('sweep_id', '=', sweepId)
      .where('verdict', '=', 'differs')
      .where('delivery_id', '>', after)
      .orderBy('delivery_id')
      .limit(COUNTED_AT_ONCE)
      .execute();
    for (const item of items) {
      for (const { field } of differencesOf(item)) {
        const key = differenceKey({ message: item.message, field });
        const differing = (counts.get(key)?.differing ?? 0) + 1;
        const { message } = item;
        counts.set(key, { message, field, differing, compared: compared.get(message) ?? 0 });
      }
    }
    const last = items.at(-1);
    if (last === undefined) break;
    after = last.delivery_id;
  }
  return [...counts.entries()].sort(([a], [b]) => (a < b ? -1 : 1)).map(([, counted]) => counted);
}

/** Listed messages that are not as they should be, in the order of their deliveries. */
export async function suspectItems(
  reader: Reader,
  sweepId: string,
  after: string,
  limit: number,
): Promise<SweepItemRow[]> {
  return await reader
    .selectFrom('sweep_item')
    .selectAll()
    .where('sweep_id', '=', sweepId)
    .where('delivery_id', '>', after)
    .where((eb) => eb.or([eb('verdict', '<>', 'equal'), eb('count', '>', 1)]))
    .orderBy('delivery_id')
    .limit(limit)
    .execute();
}

/** What a sweep noted of one delivery; undefined when the list did not show it. */
export async function notedItem(
  reader: Reader,
  sweepId: string,
  deliveryId: string,
): Promise<SweepItemRow | undefined> {
  return await reader
    .selectFrom('sweep_item')
    .selectAll()
    .where('sweep_id', '=', sweepId)
    .where('delivery_id', '=', deliveryId)
    .executeTakeFirst();
}

/** Counts by verdict of what was listed. */
export async function verdictCounts(
  reader: Reader,
  sweepId: string,
): Promise<{
  readonly equal: number;
  readonly differs: number;
  readonly notEffective: number;
  readonly unsent: number;
  readonly doubles: number;
}> {
  const rows = await reader
    .selectFrom('sweep_item')
    .select((eb) => [
      'verdict',
      eb.fn.countAll<number>().as('n'),
      eb.fn.countAll<number>().filterWhere('count', '>', 1).as('doubles'),
    ])
    .where('sweep_id', '=', sweepId)
    .groupBy('verdict')
    .execute();
  const of = (verdict: SweepItemRow['verdict']) =>
    Number(rows.find((row) => row.verdict === verdict)?.n ?? 0);
  return {
    equal: of('equal'),
    differs: of('differs'),
    notEffective: of('not-effective'),
    unsent: of('unsent'),
    doubles: rows.reduce((sum, row) => sum + Number(row.doubles), 0),
  };
}

export async function forgetItems(trx: Trx, sweepId: string): Promise<void> {
  await trx.deleteFrom('sweep_item').where('sweep_id', '=', sweepId).execute();
}
