import { uuidv7 } from 'uuidv7';
import type { Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import { preparedInsertRows } from '../storage/prepared-rows.js';
import type { NewDelivery } from './new-delivery.js';
import { enqueueDelivery, rowOf } from './outbox.store.js';

/** Keys in one statement: far below the number of bound values either database allows. */
const KEYS = 500;

/**
 * As `enqueueDelivery` for many messages that are in no outbox yet. Where the database is a server they take a
 * few round trips instead of two each.
 */
export async function enqueueDeliveries(
  trx: Trx,
  deliveries: readonly NewDelivery[],
): Promise<void> {
  if (!dialectOf(trx).isShared) {
    for (const delivery of deliveries) await enqueueDelivery(trx, delivery);
    return;
  }
  const next = await takeNumbers(trx, deliveries);
  const rows = deliveries.map((delivery) => {
    const key = nameOf(delivery);
    const seq = next.get(key);
    if (seq === undefined)
      throw new Error(`the ordering key ${delivery.orderingKey} gave no number`);
    next.set(key, seq + 1);
    return rowOf(uuidv7(), seq, delivery);
  });
  await insertRows(trx, rows);
}

const insertRows = preparedInsertRows('delivery', [
  'site',
  'subject_kind',
  'subject_id',
  'subject_revision',
  'destination',
  'message',
  'build',
]);

/** Takes as many numbers of each key as it has deliveries, in the order of the keys; returns the first ones. */
async function takeNumbers(
  trx: Trx,
  deliveries: readonly NewDelivery[],
): Promise<Map<string, number>> {
  const keys = new Map<string, { readonly of: NewDelivery; count: number }>();
  for (const delivery of deliveries) {
    const name = nameOf(delivery);
    const key = keys.get(name) ?? { of: delivery, count: 0 };
    key.count += 1;
    keys.set(name, key);
  }
  const sorted = [...keys].sort(([a], [b]) => (a < b ? -1 : 1)).map(([, key]) => key);
  const first = new Map<string, number>();
  for (let i = 0; i < sorted.length; i += KEYS) {
    const some = sorted.slice(i, i + KEYS);
    const rows = await trx
      .insertInto('ordering_key')
      .values(
        some.map(({ of, count }) => ({
          site: of.site,
          destination: of.destination,
          key: of.orderingKey,
          next_seq: 1 + count,
          lease_worker: null,
          lease_until: null,
          fence: 0,
        })),
      )
      .onConflict((c) =>
        c.columns(['site', 'destination', 'key']).doUpdateSet((eb) => ({
          next_seq: eb('ordering_key.next_seq', '+', eb('excluded.next_seq', '-', 1)),
        })),
      )
      .returning(['destination', 'key', 'next_seq'])
      .execute();
    for (const row of rows) {
      const name = nameOf({ destination: row.destination, orderingKey: row.key });
      first.set(name, row.next_seq - (keys.get(name)?.count ?? 0));
    }
  }
  return first;
}

function nameOf(of: Pick<NewDelivery, 'destination' | 'orderingKey'>): string {
  return `${of.destination}\n${of.orderingKey}`;
}
