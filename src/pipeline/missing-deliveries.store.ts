import { chunks } from '../storage/chunks.js';
import type { Reader, Trx } from '../storage/database.js';
import type { ResultRow, ResultState } from '../storage/tables.js';

/** What a statement waits to see delivered: accepted, or accepted once and taken back since. */
export const TO_DELIVER: readonly ResultState[] = ['accepted', 'superseded'];

/** Results of a receipt that a statement waits to see delivered, by row id, at most `limit` behind one. */
export function resultsToDeliver(
  reader: Reader,
  of: {
    readonly site: string;
    readonly receiptId: string;
    readonly after: string;
    readonly limit: number;
  },
): Promise<ResultRow[]> {
  return reader
    .selectFrom('result')
    .selectAll()
    .where('site', '=', of.site)
    .where('receipt_id', '=', of.receiptId)
    .where('state', 'in', TO_DELIVER)
    .where('id', '>', of.after)
    .orderBy('id')
    .limit(of.limit)
    .execute();
}

/** These results, by row id. */
export function resultsByRowId(reader: Reader, rowIds: readonly string[]): Promise<ResultRow[]> {
  return reader.selectFrom('result').selectAll().where('id', 'in', rowIds).orderBy('id').execute();
}

/** Of these results, by row id, the destinations that each was ever sent to, whatever came of it, with its latest revision there. */
export async function everSentTo(
  reader: Reader,
  site: string,
  rowIds: readonly string[],
): Promise<ReadonlyMap<string, ReadonlyMap<string, number>>> {
  const sent = new Map<string, Map<string, number>>();
  for (const ids of chunks(rowIds)) {
    const rows = await reader
      .selectFrom('delivery')
      .select(['subject_id', 'destination', 'subject_revision'])
      .where('site', '=', site)
      .where('subject_kind', '=', 'result')
      .where('subject_id', 'in', ids)
      .orderBy('subject_revision')
      .execute();
    for (const { subject_id: id, destination, subject_revision: revision } of rows) {
      sent.set(id, (sent.get(id) ?? new Map<string, number>()).set(destination, revision));
    }
  }
  return sent;
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
