import type { Validity } from '../signatures/shown-document.js';
import type { Signature } from '../signatures/signature.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import type { Reader } from '../storage/database.js';
import { preparedForList } from '../storage/prepared.js';
import type {
  AttributionRow,
  BundleRow,
  FindingRow,
  ReceiptRow,
  ResultRow,
} from '../storage/tables.js';
import type { AttributionParts } from './attribution.js';
import type { ReviewFact } from './facts.js';
import { type ReviewedParts, reviewedRecord, reviewValidity } from './reviewed-record.js';

/** Values bound in one `in (…)`. */
const CHUNK = 500;

/** What reviews of these results rest on, as it is now, by row id. */
export async function loadReviewedParts(
  reader: Reader,
  site: string,
  rowIds: readonly string[],
): Promise<Map<string, ReviewedParts & { readonly result: ResultRow }>> {
  const results = await inChunks(
    rowIds,
    async (ids) => (await resultRows(reader, { site }, ids)).rows,
  );
  const bundleIds = [...new Set(results.map((r) => r.bundle_row_id))];
  const receiptIds = [...new Set(results.map((r) => r.receipt_id).filter((id) => id !== null))];
  const bundles = byId<BundleRow>(
    await inChunks(bundleIds, async (ids) => (await bundleRows(reader, { site }, ids)).rows),
  );
  const receipts = byId<ReceiptRow>(
    await inChunks(receiptIds, async (ids) => (await receiptRows(reader, { site }, ids)).rows),
  );
  const findings = await inChunks(
    bundleIds,
    async (ids) => (await findingRows(reader, { site }, ids)).rows,
  );
  const parts = new Map<string, ReviewedParts & { readonly result: ResultRow }>();
  for (const result of results) {
    const bundle = bundles.get(result.bundle_row_id);
    if (!bundle) throw new Error(`result ${result.id} has no bundle`);
    parts.set(result.id, {
      result,
      bundle,
      receipt: receipts.get(result.receipt_id ?? '') ?? null,
      findings: findings.filter((f) => isAbout(f, result)),
    });
  }
  return parts;
}

function isAbout(finding: FindingRow, result: ResultRow): boolean {
  if (finding.bundle_row_id !== result.bundle_row_id) return false;
  return finding.result_row_id === null
    ? finding.severity === 'hold'
    : finding.result_row_id === result.id;
}

function byId<R extends { readonly id: string }>(rows: readonly R[]): Map<string, R> {
  return new Map(rows.map((row) => [row.id, row]));
}

async function inChunks<R>(
  ids: readonly string[],
  load: (some: readonly string[]) => Promise<readonly R[]>,
): Promise<R[]> {
  const rows: R[] = [];
  for (let i = 0; i < ids.length; i += CHUNK) rows.push(...(await load(ids.slice(i, i + CHUNK))));
  return rows;
}

type OfSite = { readonly site: string };

const resultRows = preparedForList((db, of: OfSite, ids) =>
  db.selectFrom('result').selectAll().where('site', '=', of.site).where('id', 'in', ids),
);
const bundleRows = preparedForList((db, of: OfSite, ids) =>
  db.selectFrom('bundle').selectAll().where('site', '=', of.site).where('id', 'in', ids),
);
const receiptRows = preparedForList((db, of: OfSite, ids) =>
  db.selectFrom('receipt').selectAll().where('site', '=', of.site).where('id', 'in', ids),
);
const findingRows = preparedForList((db, of: OfSite, ids) =>
  db
    .selectFrom('finding')
    .selectAll()
    .where('site', '=', of.site)
    .where('bundle_row_id', 'in', ids)
    .orderBy('id'),
);

/** What signatures of attributions rest on, as it is now, by id of the attribution. */
export async function loadAttributedParts(
  reader: Reader,
  site: string,
  attributions: readonly AttributionRow[],
): Promise<Map<string, AttributionParts>> {
  const rowIds = [...new Set(attributions.map((row) => row.result_row_id))];
  const receiptIds = [...new Set(attributions.map((row) => row.to_receipt))];
  const results = byId<ResultRow>(
    await inChunks(rowIds, async (ids) => (await resultRows(reader, { site }, ids)).rows),
  );
  const receipts = byId<ReceiptRow>(
    await inChunks(receiptIds, async (ids) => (await receiptRows(reader, { site }, ids)).rows),
  );
  const parts = new Map<string, AttributionParts>();
  for (const row of attributions) {
    const result = results.get(row.result_row_id);
    if (!result) throw new Error(`attribution ${row.id} is of no result`);
    parts.set(row.id, { row, result, receipt: receipts.get(row.to_receipt) ?? null });
  }
  return parts;
}

export interface SignedReview {
  readonly signature: Signature;
  readonly validity: Validity;
}

type ReviewedState = Pick<ResultRow, 'id' | 'state' | 'review_signature_id'>;

/** The reviews in force of these results, held against the records as they are now, by row id. */
export async function loadReviews(
  reader: Reader,
  site: string,
  reviewed: readonly ReviewedState[],
): Promise<Map<string, SignedReview>> {
  const rows = reviewed.filter((r) => r.review_signature_id !== null);
  const reviews = new Map<string, SignedReview>();
  if (rows.length === 0) return reviews;
  const ids = [...new Set(rows.map((r) => r.review_signature_id ?? ''))];
  const signatures = new Map((await signaturesByIds(reader, site, ids)).map((s) => [s.id, s]));
  // One signature refuses the others that claim the id of the result it clears: it holds for that one's record.
  const subjects = [...new Set([...signatures.values()].map((s) => s.subject.id))];
  const parts = await loadReviewedParts(reader, site, subjects);
  for (const row of rows) {
    const signature = signatures.get(row.review_signature_id ?? '');
    if (!signature) continue;
    const now = parts.get(signature.subject.id);
    const validity = reviewValidity(row, signature, now ? reviewedRecord(now) : null);
    reviews.set(row.id, { signature, validity });
  }
  return reviews;
}

/** A review as a statement sees it; one whose signature is not there counts as void. */
export function reviewFact(
  row: Pick<ResultRow, 'id' | 'review_signature_id'>,
  reviews: ReadonlyMap<string, SignedReview>,
): ReviewFact | null {
  if (row.review_signature_id === null) return null;
  const review = reviews.get(row.id);
  return {
    signatureId: row.review_signature_id,
    isValid: review?.validity.kind === 'valid',
    changed: review?.validity.kind === 'void' ? review.validity.changed : [],
  };
}
