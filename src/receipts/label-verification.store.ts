import { uuidv7 } from 'uuidv7';
import type { Reader, Trx } from '../storage/database.js';
import type { LabelVerificationRow } from '../storage/tables.js';
import type { VerifiedResult } from './verified-result.js';

/** Second persons who compared labels, by row id of the result, for the results of one receipt. */
export async function labelsVerifiedBy(
  reader: Reader,
  site: string,
  receiptId: string,
): Promise<Map<string, string>> {
  const rows = await reader
    .selectFrom('label_verification')
    .innerJoin('result', 'result.id', 'label_verification.result_row_id')
    .select(['label_verification.result_row_id', 'label_verification.verified_by'])
    .where('label_verification.site', '=', site)
    .where('result.receipt_id', '=', receiptId)
    .execute();
  return new Map(rows.map((r) => [r.result_row_id, r.verified_by]));
}

/** Row id of a result that a person names by it, or by the id that statements show; undefined when there is none. */
export async function rowOfResult(
  reader: Reader,
  site: string,
  named: string,
): Promise<string | undefined> {
  const row = await reader
    .selectFrom('result')
    .select('id')
    .where('site', '=', site)
    .where('id', '=', named)
    .executeTakeFirst();
  if (row) return row.id;
  // Of several that claim one id one at most is accepted, and no other may be relied on.
  const accepted = await reader
    .selectFrom('result')
    .select('id')
    .where('site', '=', site)
    .where('result_id', '=', named)
    .where('state', '=', 'accepted')
    .executeTakeFirst();
  return accepted?.id;
}

/** A result with what its labels are compared by; undefined when there is none. */
export function resultToVerify(
  reader: Reader,
  site: string,
  rowId: string,
): Promise<VerifiedResult | undefined> {
  return reader
    .selectFrom('result')
    .select([
      'id',
      'result_id',
      'revision',
      'operator_id',
      'receipt_id',
      'receipt_scanned',
      'container_scanned',
      'container_label',
      'record',
    ])
    .where('site', '=', site)
    .where('id', '=', rowId)
    .executeTakeFirst();
}

/** Id of the signature by which somebody compared the labels of a result; null while nobody has. */
export async function comparisonOf(
  reader: Reader,
  site: string,
  rowId: string,
): Promise<string | null> {
  const row = await reader
    .selectFrom('label_verification')
    .select('signature_id')
    .where('site', '=', site)
    .where('result_row_id', '=', rowId)
    .executeTakeFirst();
  return row?.signature_id ?? null;
}

/** Accepted passes of a receipt's containers, each with the signature of who compared its labels, if anybody did. */
export function labelsOfReceipt(reader: Reader, site: string, receiptId: string) {
  return reader
    .selectFrom('result')
    .leftJoin('label_verification', (join) =>
      join
        .onRef('label_verification.result_row_id', '=', 'result.id')
        .on('label_verification.site', '=', site),
    )
    .select([
      'result.id',
      'result.result_id',
      'result.revision',
      'result.container_label',
      'label_verification.signature_id',
    ])
    .where('result.site', '=', site)
    .where('result.receipt_id', '=', receiptId)
    .where('result.state', '=', 'accepted')
    .where('result.contrary', '=', 0)
    .where('result.container_label', 'is not', null)
    .orderBy('result.id')
    .execute();
}

/** Canonical records of a few results, by row id. */
export async function recordsOf(
  reader: Reader,
  site: string,
  rowIds: readonly string[],
): Promise<Map<string, string | null>> {
  const rows = await reader
    .selectFrom('result')
    .select(['id', 'record'])
    .where('site', '=', site)
    .where('id', 'in', rowIds)
    .execute();
  return new Map(rows.map(({ id, record }) => [id, record]));
}

/** False when the labels of this result were compared before. */
export async function insertVerification(
  trx: Trx,
  row: Omit<LabelVerificationRow, 'id'>,
): Promise<boolean> {
  const { numInsertedOrUpdatedRows } = await trx
    .insertInto('label_verification')
    .values({ id: uuidv7(), ...row })
    .onConflict((c) => c.doNothing())
    .executeTakeFirst();
  return numInsertedOrUpdatedRows === 1n;
}
