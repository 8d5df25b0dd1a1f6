import type { Reader, Trx } from '../storage/database.js';
import type { SharedDifferenceRow, SweepRow } from '../storage/tables.js';

type OfSweep = Pick<SweepRow, 'id' | 'site' | 'destination'>;

/** What of a kind of message differs. */
export type SharedField = Pick<SharedDifferenceRow, 'message' | 'field'>;

/** Keeps a delivery that stands behind a shared difference; one is enough, whatever else of it differs. */
export async function keepShared(trx: Trx, row: SharedDifferenceRow): Promise<void> {
  await trx
    .insertInto('shared_difference')
    .values(row)
    .onConflict((c) =>
      c
        .columns(['site', 'destination', 'delivery_id'])
        .doUpdateSet({ message: row.message, field: row.field }),
    )
    .execute();
}

/** A delivery has a finding of its own by now. */
export async function dropShared(
  trx: Trx,
  of: Pick<SharedDifferenceRow, 'site' | 'destination' | 'delivery_id'>,
): Promise<void> {
  await trx
    .deleteFrom('shared_difference')
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .where('delivery_id', '=', of.delivery_id)
    .execute();
}

/** Drops every delivery that a sweep found equal. */
export async function dropEqual(trx: Trx, sweep: OfSweep): Promise<void> {
  await trx
    .deleteFrom('shared_difference')
    .where('site', '=', sweep.site)
    .where('destination', '=', sweep.destination)
    .where('delivery_id', 'in', (eb) =>
      eb
        .selectFrom('sweep_item as i')
        .select('i.delivery_id')
        .where('i.sweep_id', '=', sweep.id)
        .where('i.verdict', '=', 'equal'),
    )
    .execute();
}

/** What differs in deliveries that stand behind it still. */
export async function sharedFields(
  reader: Reader,
  of: Pick<SharedDifferenceRow, 'site' | 'destination'>,
): Promise<SharedField[]> {
  return await reader
    .selectFrom('shared_difference')
    .select(['message', 'field'])
    .distinct()
    .where('site', '=', of.site)
    .where('destination', '=', of.destination)
    .execute();
}

/** Deliveries behind such differences that a sweep has not seen, in the order of their ids. */
export async function sharedUnseen(
  reader: Reader,
  sweep: OfSweep,
  fields: readonly SharedField[],
  after: string,
  limit: number,
): Promise<string[]> {
  if (fields.length === 0) return [];
  const rows = await reader
    .selectFrom('shared_difference as s')
    .select('s.delivery_id')
    .where('s.site', '=', sweep.site)
    .where('s.destination', '=', sweep.destination)
    .where('s.delivery_id', '>', after)
    .where((eb) =>
      eb.or(
        fields.map(({ message, field }) =>
          eb.and([eb('s.message', '=', message), eb('s.field', '=', field)]),
        ),
      ),
    )
    .where((eb) =>
      eb.not(
        eb.exists(
          eb
            .selectFrom('sweep_item as i')
            .select('i.delivery_id')
            .where('i.sweep_id', '=', sweep.id)
            .whereRef('i.delivery_id', '=', 's.delivery_id'),
        ),
      ),
    )
    .orderBy('s.delivery_id')
    .limit(limit)
    .execute();
  return rows.map((row) => row.delivery_id);
}
