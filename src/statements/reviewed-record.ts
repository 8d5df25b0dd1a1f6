import type { JsonValue } from '../formats/canonical-json.js';
import { formatInstant } from '../formats/instant.js';
import { type ShownDocument, type Validity, validityOf } from '../signatures/shown-document.js';
import type { Signature, SignatureSubject } from '../signatures/signature.js';
import type { BundleRow, FindingRow, ReceiptRow, ResultRow } from '../storage/tables.js';

/** Columns of a result that a review rests on. */
export type ReviewedRow = Omit<
  ResultRow,
  'record' | 'animl_sha256' | 'animl_writer' | 'spectrum_sha256' | 'supersedes'
>;

export interface ReviewedParts {
  readonly result: ReviewedRow;
  readonly bundle: Pick<BundleRow, 'id' | 'bundle_id' | 'raw_sha256' | 'settled_at'>;
  /** Row of the receipt it belongs to; null while it has none. */
  readonly receipt: ReceiptRow | null;
  /** Of the result and those that hold its bundle, in the order they were found. */
  readonly findings: readonly Pick<
    FindingRow,
    'code' | 'severity' | 'pointer' | 'message' | 'advice' | 'numbers' | 'result_row_id'
  >[];
}

export function reviewedSubject(result: Pick<ResultRow, 'id' | 'revision'>): SignatureSubject {
  return { kind: 'result', id: result.id, revision: result.revision };
}

/**
 * What the signature of a review rests on: the result as it was reported and found, whose it is, and what the
 * receipt expects. When a receipt is corrected or a result gets another owner, the review was of something
 * else and its signature is void. The result's state is no part of it, since the act itself changes that.
 */
export function reviewedRecord(parts: ReviewedParts): Pick<ShownDocument, 'subject' | 'record'> {
  const { result, bundle, receipt } = parts;
  const record: JsonValue = {
    resultId: result.result_id,
    elementSha256: result.element_sha256,
    recordSha256: result.record_sha256,
    bundle: {
      intakeId: bundle.id,
      bundleId: bundle.bundle_id,
      sha256: bundle.raw_sha256,
      pointer: result.pointer,
    },
    instrument: result.instrument_serial,
    run: { epoch: result.run_epoch, number: result.run_number },
    environment: result.environment,
    origin: result.origin,
    mode: result.mode,
    decision: result.decision,
    contrary: result.contrary === 1,
    matchedMaterial: result.matched_material,
    scanned: { receipt: result.receipt_scanned, container: result.container_scanned },
    attributed: { receiptId: result.receipt_id, container: result.container_label },
    material: result.material,
    lot: result.lot,
    method: { id: result.method_id, version: result.method_version },
    operator: result.operator_id,
    measuredAt: result.measured_text,
    recheck: result.recheck === null ? null : (JSON.parse(result.recheck) as JsonValue),
    receipt: receipt === null ? null : expectedOf(receipt),
    findings: parts.findings.map(({ code, severity, pointer, message }) => ({
      code,
      severity,
      pointer,
      message,
    })),
  };
  return { subject: reviewedSubject(result), record };
}

/** What a receipt expects, as signatures about its results rest on it. */
export function expectedOf(receipt: ReceiptRow): JsonValue {
  return {
    announced: receipt.announced === 1,
    receiptNumber: receipt.receipt_number,
    line: receipt.line,
    material: receipt.material,
    manufacturer: receipt.manufacturer,
    supplier: receipt.supplier,
    supplierLot: receipt.supplier_lot,
    siteLot: receipt.site_lot,
    scanText: receipt.scan_text,
    receivedAt: receipt.received_at === null ? null : formatInstant(receipt.received_at),
  };
}

/**
 * Whether the signature a result rests on still holds for it. It has to be about this very result and say what
 * its state says: a result that is accepted was cleared, one that is refused was refused, or was shown beside the
 * one that was cleared under the same id.
 *
 * @param current record of the subject of the signature as it is now
 */
export function reviewValidity(
  row: Pick<ResultRow, 'id' | 'state'>,
  signature: Signature,
  current: Pick<ShownDocument, 'subject' | 'record'> | null,
): Validity {
  const isOwn = signature.subject.kind === 'result' && signature.subject.id === row.id;
  const says = {
    accepted: isOwn && signature.meaning === 'cleared',
    superseded: isOwn && signature.meaning === 'cleared',
    refused: isOwn
      ? signature.meaning === 'refused'
      : signature.meaning === 'cleared' && wasShownBeside(signature.shown, row.id),
    held: false,
  }[row.state];
  return says ? validityOf(signature, current) : { kind: 'void', changed: [''] };
}

function wasShownBeside(shown: string, rowId: string): boolean {
  const { context } = JSON.parse(shown) as {
    readonly context?: { readonly sameId?: readonly { readonly rowId?: string }[] };
  };
  return context?.sameId?.some((other) => other.rowId === rowId) ?? false;
}
