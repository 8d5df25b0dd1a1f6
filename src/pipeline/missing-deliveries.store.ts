import type { Reader, Trx } from '../storage/database.js';
import type { ResultRow } from '../storage/tables.js';

/** Results of a receipt that a statement waits to see delivered: accepted, or accepted once and taken back since. */
export function resultsToDeliver(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<ResultRow[]> {
  return reader
    .selectFrom('result')
    .selectAll()
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .where('state', 'in', ['accepted', 'superseded'])
    .orderBy('id')
    .execute();
}

/** These results, by row id. */
export function resultsByRowId(reader: Reader, rowIds: readonly string[]): Promise<ResultRow[]> {
  return reader.selectFrom('result').selectAll().where('id', 'in', rowIds).orderBy('id').execute();
}

/** Destinations that a result was ever sent to, whatever came of it, with the latest revision of it there. */
export async function everSentTo(
  reader: Reader,
  site: string,
  rowId: string,
): Promise<ReadonlyMap<string, number>> {
  const rows = await reader
    .selectFrom('delivery')
    .select(['destination', 'subject_revision'])
    .where('site', '=', site)
    .where('subject_kind', '=', 'result')
    .where('subject_id', '=', rowId)
    .orderBy('subject_revision')
    .execute();
  return new Map(rows.map((r) => [r.destination, r.subject_revision]));
}

/** Of a result that no longer stands, what was just put into the outbox: nobody has to be told of it. */
export async function giveUpUnsent(
  trx: Trx,
  of: { readonly site: string; readonly rowId: string; readonly reason: string },
  destinations: readonly string[],
): Promise<void> {
  await trx
    .updateTable('delivery')
    .set({ state: 'superseded', reason: of.reason })
    .where('site', '=', of.site)
    .where('subject_kind', '=', 'result')
    .where('subject_id', '=', of.rowId)
    .where('destination', 'in', destinations)
    .where('state', '=', 'due')
    .execute();
}
