import { formatInstant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import type { TrailReviewRow } from '../storage/tables.js';
import type { EarlierReview, ReviewSignature } from './trail-review.js';

/** Every review of the trail of a site, by its last entry. */
export async function trailReviews(reader: Reader, site: string): Promise<EarlierReview[]> {
  const rows = await reader
    .selectFrom('trail_review as r')
    .leftJoin('signature as s', 's.id', 'r.signature')
    .select(['r.id', 'r.first', 'r.last', 'r.root', 'r.findings', 'r.reviewer', 'r.at'])
    .select(['r.digest', 'r.signature', 's.printed_name', 's.user_name'])
    .where('r.site', '=', site)
    .orderBy('r.last')
    .orderBy('r.id')
    .execute();
  return rows.map((row) => ({
    id: row.id,
    first: Number(row.first),
    last: Number(row.last),
    root: row.root,
    findings: row.findings,
    reviewer: row.reviewer,
    printedName: row.printed_name ?? '',
    userName: row.user_name ?? '',
    at: formatInstant(row.at),
    signatureId: row.signature,
    digest: row.digest,
  }));
}

/** Signatures that stand for reviews of the trail. */
export async function reviewSignatures(reader: Reader, site: string): Promise<ReviewSignature[]> {
  const rows = await reader
    .selectFrom('signature')
    .select(['id', 'subject_id', 'shown_sha256'])
    .where('site', '=', site)
    .where('subject_kind', '=', TRAIL_REVIEW)
    .orderBy('id')
    .execute();
  return rows.map((row) => ({
    id: row.id,
    subjectId: row.subject_id,
    shownSha256: row.shown_sha256,
  }));
}

/** Kind of the subject a review signs. */
export const TRAIL_REVIEW = 'trail-review';

export async function insertTrailReview(trx: Trx, row: TrailReviewRow): Promise<void> {
  await trx.insertInto('trail_review').values(row).execute();
}

/** User names of the accounts among these actors, by `person <id>`. */
export async function userNamesOf(
  reader: Reader,
  actors: readonly string[],
): Promise<ReadonlyMap<string, string>> {
  const ids = actors.filter((a) => a.startsWith('person ')).map((a) => a.slice('person '.length));
  if (ids.length === 0) return new Map();
  const rows = await reader
    .selectFrom('account')
    .select(['id', 'user_name'])
    .where('id', 'in', ids)
    .execute();
  return new Map(rows.map((row) => [`person ${row.id}`, row.user_name]));
}
