import { loadCauses } from '../statements/causes.store.js';
import { shownSignature } from '../statements/review-view.js';
import { loadReviews } from '../statements/reviews.store.js';
import type { Reader } from '../storage/database.js';
import type { CauseStanding, ContraryResultView, ReceiptReviewView } from './receipt-view.js';

/** Results of a receipt as people know them, `NQ-R-0001-1-R2, container D-02`, by row id. */
export async function resultNames(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<ReadonlyMap<string, string>> {
  const rows = await reader
    .selectFrom('result')
    .select(['id', 'result_id', 'container_label'])
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .execute();
  return new Map(
    rows.map(({ id, result_id, container_label }) => [
      id,
      container_label === null ? result_id : `${result_id}, container ${container_label}`,
    ]),
  );
}

/** Results of a receipt that are held or that somebody signed about, with the signature as it stands. */
export async function reviewsOfReceipt(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<Omit<ReceiptReviewView, 'name'>[]> {
  const rows = await reader
    .selectFrom('result')
    .select(['id', 'state', 'review_signature_id'])
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .where((e) => e.or([e('state', '=', 'held'), e('review_signature_id', 'is not', null)]))
    .orderBy('id')
    .execute();
  const reviews = await loadReviews(reader, site, rows);
  return rows.map(({ id, state }) => {
    const review = reviews.get(id);
    const signature = review ? shownSignature(review.signature, review.validity, null) : null;
    return { rowId: id, state, signature };
  });
}

/**
 * Results that speak against a receipt, in the order they were stored, each with what its cause is worth by the rule that the
 * statement goes by.
 *
 * @param limit how many are read at most
 */
export async function contraryOfReceipt(
  reader: Reader,
  site: string,
  receiptId: string,
  limit: number,
): Promise<Omit<ContraryResultView, 'name'>[]> {
  const rows = await reader
    .selectFrom('result')
    .select(['id', 'decision', 'state'])
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .where('contrary', '=', 1)
    .orderBy('id')
    .limit(limit)
    .execute();
  const ids = rows.map((row) => row.id);
  const causes = await loadCauses(reader, site, ids);
  return rows.map(({ id, decision, state }) => ({
    rowId: id,
    decision,
    state,
    cause: standingOf(causes.get(id)),
  }));
}

function standingOf(cause: { readonly isValid: boolean } | undefined): CauseStanding {
  if (cause === undefined) return 'none';
  return cause.isValid ? 'signed' : 'void';
}
