import { sql } from 'kysely';
import type { Instant } from '../formats/instant.js';
import type { Reader } from '../storage/database.js';
import type { AttemptRow, DeliveryRow, DeliveryState } from '../storage/tables.js';
import { RELEASING_STATES } from './new-delivery.js';

/** Every delivery that speaks of a receipt, by destination and order of creation. */
export async function deliveriesOfReceipt(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<DeliveryRow[]> {
  return await reader
    .selectFrom('delivery')
    .selectAll()
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .orderBy('destination')
    .orderBy('created_at')
    .orderBy('id')
    .execute();
}

export interface DeliveryCount {
  readonly destination: string;
  readonly message: string;
  readonly state: DeliveryState;
  readonly count: number;
}

/** How many deliveries stand in which state, per destination and message. */
export async function deliveryCounts(reader: Reader, site: string): Promise<DeliveryCount[]> {
  const rows = await reader
    .selectFrom('delivery')
    .select((eb) => ['destination', 'message', 'state', eb.fn.countAll<number>().as('count')])
    .where('site', '=', site)
    .groupBy(['destination', 'message', 'state'])
    .orderBy('destination')
    .orderBy('message')
    .orderBy('state')
    .execute();
  return rows.map((row) => ({ ...row, count: Number(row.count) }));
}

export interface BlockingDelivery {
  readonly id: string;
  readonly destination: string;
  readonly state: DeliveryState;
  readonly fault: string | null;
  readonly reason: string | null;
  /** Deliveries of the same key that wait behind it. */
  readonly behind: number;
}

/** Doubtful, rejected and parked deliveries with how many wait behind each ("blocks n behind it"). */
export async function blockingDeliveries(
  reader: Reader,
  site: string,
): Promise<BlockingDelivery[]> {
  const rows = await reader
    .selectFrom('delivery as d')
    .select((eb) => [
      'd.id',
      'd.destination',
      'd.state',
      'd.fault',
      'd.reason',
      eb
        .selectFrom('delivery as e')
        .select((b) => b.fn.countAll<number>().as('n'))
        .whereRef('e.site', '=', 'd.site')
        .whereRef('e.destination', '=', 'd.destination')
        .whereRef('e.ordering_key', '=', 'd.ordering_key')
        .whereRef('e.seq', '>', 'd.seq')
        .where('e.state', 'not in', [...RELEASING_STATES])
        .as('behind'),
    ])
    .where('d.site', '=', site)
    .where('d.state', 'in', ['uncertain', 'rejected', 'parked'])
    .orderBy('d.created_at')
    .orderBy('d.id')
    .execute();
  return rows.map((row) => ({ ...row, behind: Number(row.behind ?? 0) }));
}

/**
 * Stops whose read-back shows something else, or whose key the destination holds for other content: each
 * needs a new statement revision that re-asserts it under a new key.
 */
export async function stopsNotEffective(reader: Reader, site: string): Promise<DeliveryRow[]> {
  return await reader
    .selectFrom('delivery as d')
    .selectAll('d')
    .where('d.site', '=', site)
    .where('d.message', '=', 'stop')
    .where('d.fault', 'in', ['not-effective', 'key-conflict'])
    .where('d.state', 'not in', ['confirmed', 'cancelled', 'superseded'])
    .where((eb) =>
      eb.not(
        eb.exists(
          eb
            .selectFrom('delivery as n')
            .select(sql<number>`1`.as('one'))
            .whereRef('n.site', '=', 'd.site')
            .whereRef('n.receipt_id', '=', 'd.receipt_id')
            .whereRef('n.destination', '=', 'd.destination')
            .where('n.message', '=', 'stop')
            .whereRef('n.subject_revision', '>', 'd.subject_revision'),
        ),
      ),
    )
    .orderBy('d.id')
    .execute();
}

/** Sends and asks of one delivery in the order they started: that of their fences, since a clock may be set back between. */
export async function attemptsOf(reader: Reader, deliveryId: string): Promise<AttemptRow[]> {
  return await reader
    .selectFrom('attempt')
    .selectAll()
    .where('delivery_id', '=', deliveryId)
    .orderBy('fence')
    .orderBy('started_at')
    .orderBy('id')
    .execute();
}

/** Start of the first send; null when it was never sent. */
export async function firstSentAt(reader: Reader, deliveryId: string): Promise<Instant | null> {
  const row = await reader
    .selectFrom('attempt')
    .select((eb) => eb.fn.min('started_at').as('at'))
    .where('delivery_id', '=', deliveryId)
    .where('kind', '=', 'send')
    .executeTakeFirst();
  return row?.at ?? null;
}
