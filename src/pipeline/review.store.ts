import { sql } from 'kysely';
import { destinationsHolding, destinationsReached } from '../delivery/outbox.store.js';
import type { OtherResult, ReviewCase } from '../statements/result-review.js';
import { loadReviewedParts, loadReviews } from '../statements/reviews.store.js';
import type { Reader, Trx } from '../storage/database.js';
import type { ResultRow } from '../storage/tables.js';
import { supersedersOf } from './settle.store.js';

/** Everything a review of one result depends on; null when the site has no such result. */
export async function loadReviewCase(
  reader: Reader,
  site: string,
  rowId: string,
  sentTo: readonly string[],
): Promise<ReviewCase | null> {
  const parts = (await loadReviewedParts(reader, site, [rowId])).get(rowId);
  if (!parts) return null;
  const { result } = parts;
  const bundle = await reader
    .selectFrom('bundle')
    .select('state')
    .where('id', '=', result.bundle_row_id)
    .executeTakeFirstOrThrow();
  const reviews = await loadReviews(reader, site, [result]);
  const superseding = await supersedersOf(reader, site, [result.result_id]);
  return {
    parts,
    bundleState: bundle.state,
    reviewed:
      result.review_signature_id === null
        ? null
        : (reviews.get(rowId)?.validity ?? { kind: 'void', changed: [''] }),
    sameId: (await othersOf(reader, site, [result.result_id])).filter((o) => o.rowId !== rowId),
    supersededBy: superseding.map((row) => row.result_id),
    supersedes: (
      await othersOf(reader, site, result.supersedes === null ? [] : [result.supersedes])
    ).filter((o) => o.state === 'accepted' && !o.contrary && o.rowId !== rowId),
    heldAt: await destinationsHolding(reader, site, result),
    sentTo,
  };
}

async function othersOf(
  reader: Reader,
  site: string,
  resultIds: readonly string[],
): Promise<OtherResult[]> {
  if (resultIds.length === 0) return [];
  const rows = await reader
    .selectFrom('result')
    .select(['id', 'result_id', 'state', 'contrary', 'element_sha256'])
    .select(['decision', 'receipt_id', 'container_label', 'operator_id'])
    .where('site', '=', site)
    .where('result_id', 'in', resultIds)
    .orderBy('id')
    .execute();
  const others: OtherResult[] = [];
  for (const row of rows) {
    others.push({
      rowId: row.id,
      resultId: row.result_id,
      state: row.state,
      contrary: row.contrary === 1,
      decision: row.decision,
      receiptId: row.receipt_id,
      container: row.container_label,
      operator: row.operator_id,
      elementSha256: row.element_sha256,
      reachedAt: await destinationsReached(reader, site, row.id),
    });
  }
  return others;
}

/** Receipts of results under these ids: what a review of one of them may touch. */
export async function receiptsOfResultIds(
  reader: Reader,
  site: string,
  resultIds: readonly string[],
): Promise<string[]> {
  const rows = await reader
    .selectFrom('result')
    .select('receipt_id')
    .distinct()
    .where('site', '=', site)
    .where('result_id', 'in', resultIds)
    .where('receipt_id', 'is not', null)
    .execute();
  return rows.map((r) => r.receipt_id ?? '');
}

/** True while a result under one of these ids is of no receipt. */
export async function isAnyUnowned(
  reader: Reader,
  site: string,
  resultIds: readonly string[],
): Promise<boolean> {
  const row = await reader
    .selectFrom('result')
    .select('id')
    .where('site', '=', site)
    .where('result_id', 'in', resultIds)
    .where('receipt_id', 'is', null)
    .limit(1)
    .executeTakeFirst();
  return row !== undefined;
}

/** Who measured a result, and anything else of its receipt (rule 15); null where the report names nobody. */
export async function operatorsBehind(
  reader: Reader,
  site: string,
  result: Pick<ResultRow, 'operator_id' | 'receipt_id'>,
): Promise<(string | null)[]> {
  if (result.receipt_id === null) return [result.operator_id];
  return [...(await operatorsOfReceipt(reader, site, result.receipt_id)), result.operator_id];
}

/** Who measured anything of a receipt, whatever became of it; null where a report names nobody. */
export async function operatorsOfReceipt(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<(string | null)[]> {
  const rows = await reader
    .selectFrom('result')
    .select('operator_id')
    .distinct()
    .where('site', '=', site)
    .where('receipt_id', '=', receiptId)
    .execute();
  return rows.map((r) => r.operator_id);
}

/** Puts the state a signed act gave; false when it is not in the state the act began from. */
export async function setReviewed(
  trx: Trx,
  row: Pick<ResultRow, 'id' | 'state'>,
  to: { readonly state: 'accepted' | 'refused'; readonly signatureId: string },
): Promise<boolean> {
  const { numUpdatedRows } = await trx
    .updateTable('result')
    .set({ state: to.state, review_signature_id: to.signatureId })
    .where('id', '=', row.id)
    .where('state', '=', row.state)
    .executeTakeFirst();
  return numUpdatedRows > 0n;
}

export interface WaitingResult {
  readonly id: string;
  readonly result_id: string;
  readonly bundle_row_id: string;
  readonly state: ResultRow['state'];
  readonly review_signature_id: string | null;
  readonly receipt_id: string | null;
  readonly receipt_scanned: string | null;
  readonly container_label: string | null;
  readonly container_scanned: string | null;
  readonly decision: string | null;
  readonly contrary: 0 | 1;
  readonly operator_id: string | null;
  readonly measured_at: ResultRow['measured_at'];
}

/** Results that are held, or were reviewed: the latter may wait again, see `loadReviews`. Oldest first. */
export function resultsToReview(
  reader: Reader,
  site: string,
  after: string,
  limit: number,
): Promise<WaitingResult[]> {
  return reader
    .selectFrom('result')
    .select([
      'id',
      'result_id',
      'bundle_row_id',
      'state',
      'review_signature_id',
      'receipt_id',
      'receipt_scanned',
      'container_label',
      'container_scanned',
      'decision',
      'contrary',
      'operator_id',
      'measured_at',
    ])
    .where('site', '=', site)
    .where('id', '>', after)
    .where((e) =>
      e.or([e('state', '=', sql.lit('held')), e('review_signature_id', 'is not', null)]),
    )
    .orderBy('id')
    .limit(limit)
    .execute();
}
