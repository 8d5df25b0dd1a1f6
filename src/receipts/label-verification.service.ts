import { type Actor, recordAudit } from '../audit/audit.store.js';
import type { Instant } from '../formats/instant.js';
import type { Trx } from '../storage/database.js';
import { lockReceipts, markEvaluationDue } from './facts.store.js';
import { containerKey, normaliseLabel } from './label.js';
import { insertVerification, resultsById } from './label-verification.store.js';
import { relabelMap } from './lineage.js';
import { relabelsOf } from './lineage.store.js';
import type { ChangeFault } from './receipt-changes.js';
import type { ReceiptsSite } from './receipt-revision.service.js';

export interface LabelVerification {
  readonly resultId: string;
  /** What the person read off container and receipt, not what the record says. */
  readonly seenContainer: string;
  readonly seenReceipt: string;
  readonly verifiedBy: Actor;
  /** The signed act this is; nothing is verified without one. */
  readonly signatureId: string;
}

export type VerificationResult =
  | { readonly ok: true; readonly receiptId: string }
  | ({ readonly ok: false } & ChangeFault);

/**
 * Stores that a second person compared labels that were not scanned with the container itself (rule 2). The person is not
 * the operator, and writes down what the labels show: what differs from the result is refused, since it is a
 * mix-up to be attributed, not a label to be waved through.
 */
export async function verifyLabels(
  trx: Trx,
  { site, timeZone }: ReceiptsSite,
  act: LabelVerification,
  now: Instant,
): Promise<VerificationResult> {
  const [result, ...others] = await resultsById(trx, site, act.resultId);
  if (!result) return refused(`no result has the id ${act.resultId}`);
  if (others.length > 0) return refused(`more than one result has the id ${act.resultId}`);
  const { receipt_id: receiptId, container_label: label } = result;
  if (receiptId === null || label === null) {
    return refused(`result ${act.resultId} belongs to no container of a receipt`);
  }
  await lockReceipts(trx, site, [receiptId]);
  if (act.verifiedBy.name === result.operator_id) {
    return refused(`${act.verifiedBy.name} took result ${act.resultId}; a second person compares`);
  }
  if (normaliseLabel(act.seenReceipt) !== normaliseLabel(result.receipt_scanned ?? '')) {
    return refused(
      `the receipt shows "${act.seenReceipt}", the result says "${result.receipt_scanned ?? ''}"`,
    );
  }
  const relabels = relabelMap(await relabelsOf(trx, site, [receiptId]));
  const seen = containerKey(act.seenContainer);
  if ((relabels.get(seen) ?? seen) !== containerKey(label)) {
    return refused(`the container shows "${act.seenContainer}", the result is of "${label}"`);
  }
  const isNew = await insertVerification(trx, {
    site,
    result_row_id: result.id,
    container_label: label,
    seen_label: act.seenContainer,
    seen_receipt: act.seenReceipt,
    verified_by: act.verifiedBy.name,
    signature_id: act.signatureId,
    at: now,
  });
  if (!isNew) return refused(`the labels of result ${act.resultId} were compared before`);
  await recordAudit(trx, {
    site,
    zone: timeZone,
    at: now,
    actor: act.verifiedBy,
    action: 'result.labels-verified',
    subjectKind: 'result',
    subjectId: result.id,
    before: { verifiedBy: null },
    after: {
      verifiedBy: act.verifiedBy.name,
      container: act.seenContainer,
      receipt: act.seenReceipt,
      signatureId: act.signatureId,
    },
  });
  // It can only improve the statement.
  await markEvaluationDue(trx, site, [receiptId]);
  return { ok: true, receiptId };
}

function refused(detail: string): VerificationResult {
  return { ok: false, code: 'receipt-change-invalid', detail };
}
