import { chunks } from '../storage/chunks.js';
import type { Reader } from '../storage/database.js';
import { preparedForList } from '../storage/prepared.js';

/**
 * One signature clears a result and refuses the others of its id: it holds as long as the record of the cleared one does
 * (release-safety rule 20). So whatever changes that record, its receipt's line or its place, changes what the receipts of
 * the others rest on. Here are those receipts.
 */

/** Receipts of results that were refused beside reviewed ones of these receipts. */
export function receiptsRefusedBeside(
  reader: Reader,
  site: string,
  receiptIds: Iterable<string>,
): Promise<readonly string[]> {
  return found(besideReceipts, reader, site, receiptIds);
}

/** As `receiptsRefusedBeside`, for results by their row ids. */
export function receiptsRefusedBesideResults(
  reader: Reader,
  site: string,
  rowIds: Iterable<string>,
): Promise<readonly string[]> {
  return found(besideResults, reader, site, rowIds);
}

async function found(
  query: typeof besideReceipts,
  reader: Reader,
  site: string,
  ids: Iterable<string>,
): Promise<readonly string[]> {
  const receipts = new Set<string>();
  for (const some of chunks([...ids])) {
    for (const { receiptId } of (await query(reader, { site }, some)).rows) {
      if (receiptId !== null) receipts.add(receiptId);
    }
  }
  return [...receipts];
}

const besideReceipts = preparedForList((db, of: { readonly site: string }, ids) =>
  refusedBeside(db, of).where('reviewed.receipt_id', 'in', ids),
);

const besideResults = preparedForList((db, of: { readonly site: string }, ids) =>
  refusedBeside(db, of).where('reviewed.id', 'in', ids),
);

/** The cleared one may have been reviewed again since, and the others rest on its first signature still: the id says it. */
function refusedBeside(db: Reader, of: { readonly site: string }) {
  return db
    .selectFrom('result as reviewed')
    .innerJoin('result as other', (join) =>
      join
        .onRef('other.site', '=', 'reviewed.site')
        .onRef('other.result_id', '=', 'reviewed.result_id'),
    )
    .select('other.receipt_id as receiptId')
    .distinct()
    .where('reviewed.site', '=', of.site)
    .where('reviewed.review_signature_id', 'is not', null)
    .whereRef('other.id', '<>', 'reviewed.id')
    .where('other.review_signature_id', 'is not', null)
    .where('other.receipt_id', 'is not', null);
}
