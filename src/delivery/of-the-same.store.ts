import type { Reader } from '../storage/database.js';
import type { DeliveryRow } from '../storage/tables.js';
import { countsByReceipt, type OfTheSame, ofTheSame } from './of-the-same.js';

/** What went to the destination of a delivery about the same thing. */
export async function whatWentThere(reader: Reader, row: DeliveryRow): Promise<OfTheSame> {
  const there = reader
    .selectFrom('delivery')
    .select(['subject_kind', 'subject_id', 'subject_revision', 'seq'])
    .select(['state', 'attempts', 'ask_since'])
    .where('site', '=', row.site)
    .where('destination', '=', row.destination);
  const all = countsByReceipt(row)
    ? there
        .where('receipt_id', '=', row.receipt_id)
        .where('subject_kind', 'in', ['statement', 'stop'])
    : there.where('ordering_key', '=', row.ordering_key);
  return ofTheSame(row, await all.execute());
}
