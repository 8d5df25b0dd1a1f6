import { rejectionsOf } from '../receipts/rejections.store.js';
import { signaturesByIds } from '../signatures/signatures.store.js';
import type { Reader } from '../storage/database.js';
import type { ReceiptRow } from '../storage/tables.js';
import { rejectionValidity } from './container-rejection.js';
import type { RejectionFact } from './facts.js';

/** The latest signed rejection of each container of a receipt, held against the receipt as it is now. */
export async function loadRejections(
  reader: Reader,
  receipt: ReceiptRow,
): Promise<RejectionFact[]> {
  const rows = await rejectionsOf(reader, receipt.site, receipt.id);
  if (rows.length === 0) return [];
  const ids = rows.map((row) => row.signature_id);
  const signatures = await signaturesByIds(reader, receipt.site, [...new Set(ids)]);
  const byId = new Map(signatures.map((s) => [s.id, s]));
  const latest = new Map<string, RejectionFact>();
  for (const row of rows) {
    const { container_key: key, container_label: container, signature_id: signatureId } = row;
    const validity = rejectionValidity(byId.get(signatureId) ?? null, receipt, container);
    latest.set(key, {
      container,
      signatureId,
      isValid: validity.kind === 'valid',
      splitOffTo: row.split_off_to ?? latest.get(key)?.splitOffTo ?? null,
    });
  }
  return [...latest.values()];
}
