import type { Instant } from '../formats/instant.js';
import type { Reader, Trx } from '../storage/database.js';
import { lockReceipts, markEvaluationDue } from './facts.store.js';
import { containerKey, normaliseLabel } from './label.js';
import { insertVerification, resultToVerify } from './label-verification.store.js';
import { currentKey, relabelMap } from './lineage.js';
import { relabelsOf } from './lineage.store.js';
import type { SeenLabels, VerifiedResult } from './verified-result.js';

/** A result whose labels can be compared, with the receipt and container it is of. */
export interface Comparable {
  readonly result: VerifiedResult;
  readonly receiptId: string;
  readonly label: string;
}

export type CheckedLabels =
  | { readonly ok: true; readonly value: Comparable }
  | { readonly ok: false; readonly detail: string };

/**
 * Locks the receipt of a result and says whether what a person saw is what the result says (rule 2). What differs is
 * a mix-up to be attributed by its own act, not a label to be waved through. Who the person may be is judged with
 * the signature.
 */
export async function checkLabels(
  trx: Trx,
  site: string,
  rowId: string,
  seen: SeenLabels,
): Promise<CheckedLabels> {
  const before = await resultToVerify(trx, site, rowId);
  if (before?.receipt_id != null) await lockReceipts(trx, site, [before.receipt_id]);
  const result = await resultToVerify(trx, site, rowId);
  if (!result) return refused(`no result has the id ${rowId}`);
  const { receipt_id: receiptId, container_label: label } = result;
  if (receiptId === null || label === null) {
    return refused(`result ${result.result_id} belongs to no container of a receipt`);
  }
  if (receiptId !== before?.receipt_id) return refused('its receipt changed; look at it again');
  if (normaliseLabel(seen.receipt) !== normaliseLabel(result.receipt_scanned ?? '')) {
    const said = result.receipt_scanned ?? '';
    return refused(`the receipt shows "${seen.receipt}", the result says "${said}"`);
  }
  if ((await keyNow(trx, site, receiptId, seen.container)) !== containerKey(label)) {
    return refused(`the container shows "${seen.container}", the result is of "${label}"`);
  }
  return { ok: true, value: { result, receiptId, label } };
}

/** An earlier print of a label is as good as the present one. */
async function keyNow(
  reader: Reader,
  site: string,
  receiptId: string,
  label: string,
): Promise<string> {
  const relabels = relabelMap(await relabelsOf(reader, site, [receiptId]));
  return currentKey(relabels, containerKey(label));
}

/** Stores a comparison that was signed, in the transaction of its signature. False when there was one before. */
export async function storeVerification(
  trx: Trx,
  site: string,
  { result, receiptId, label }: Comparable,
  act: {
    readonly seen: SeenLabels;
    readonly verifiedBy: string;
    readonly signatureId: string;
    readonly now: Instant;
  },
): Promise<boolean> {
  const isNew = await insertVerification(trx, {
    site,
    result_row_id: result.id,
    container_label: label,
    seen_label: act.seen.container,
    seen_receipt: act.seen.receipt,
    verified_by: act.verifiedBy,
    signature_id: act.signatureId,
    at: act.now,
  });
  // It can only improve the statement.
  if (isNew) await markEvaluationDue(trx, site, [receiptId]);
  return isNew;
}

function refused(detail: string): CheckedLabels {
  return { ok: false, detail };
}
