import type { JsonValue } from '../formats/canonical-json.js';
import { containerKey } from '../receipts/label.js';
import { type ShownDocument, type Validity, validityOf } from '../signatures/shown-document.js';
import type { Signature, SignatureSubject } from '../signatures/signature.js';
import type { ReceiptRow } from '../storage/tables.js';
import type { ReviewOption } from './review-option.js';

/** A container before somebody signs that it is rejected. */
export interface RejectionCase {
  readonly receipt: ReceiptRow;
  /** As the receipt lists it, or listed it when it was rejected first. */
  readonly label: string;
  readonly isListed: boolean;
  /** Of the latest rejection; null when it was never rejected. */
  readonly rejected: Validity | null;
  readonly splitOffTo: string | null;
  /** What was measured of it, in words. */
  readonly results: readonly string[];
}

/** A container of a receipt, whatever was signed about it before. */
export function rejectionSignatureSubject(receiptId: string, key: string): SignatureSubject {
  return { kind: 'rejection', id: JSON.stringify([receiptId, key]), revision: 1 };
}

/** Whether a container may be rejected by signature. Bad news: little stands in its way. */
export function rejectionOption(about: RejectionCase): ReviewOption {
  const because: string[] = [];
  if (about.receipt.status !== 'open') because.push(`the receipt was ${about.receipt.status}`);
  if (!about.isListed && about.rejected === null)
    because.push('the receipt lists no such container');
  if (about.rejected?.kind === 'valid') because.push('it is rejected');
  if (because.length > 0) return { possible: false, because, effects: [] };
  return {
    possible: true,
    because: [],
    effects: [
      'the receipt does not conform until ERP says by its key that the container is split off',
      'where the receipt stood as conforming, a stop (withdraw) goes out at once, and lasts until it is lifted',
      'what was measured of it goes with it then, and every further container stays required',
      'the container never conforms, whatever receipt it is in',
    ],
  };
}

/**
 * What the signature rests on: the container and whose it is. A corrected material or lot makes it another one; a
 * result that comes later does not.
 */
export function rejectionRecord(
  receipt: ReceiptRow,
  label: string,
): Pick<ShownDocument, 'subject' | 'record'> {
  const record: JsonValue = {
    receiptId: receipt.id,
    container: label,
    receiptNumber: receipt.receipt_number,
    line: receipt.line,
    material: receipt.material,
    supplierLot: receipt.supplier_lot,
    siteLot: receipt.site_lot,
  };
  return { subject: rejectionSignatureSubject(receipt.id, containerKey(label)), record };
}

export function rejectionDocument(about: RejectionCase): ShownDocument {
  const { possible, because, effects } = rejectionOption(about);
  const context: JsonValue = {
    results: [...about.results],
    splitOffTo: about.splitOffTo,
    reject: { possible, because: [...because], effects: [...effects] },
  };
  return { ...rejectionRecord(about.receipt, about.label), context };
}

export function rejectionValidity(
  signature: Signature | null,
  receipt: ReceiptRow,
  label: string,
): Validity {
  if (signature?.meaning !== 'rejected') return { kind: 'void', changed: [''] };
  return validityOf(signature, rejectionRecord(receipt, label));
}
