import { Problem } from '../problem-details.js';
import { LABEL_LENGTH_MAX } from '../receipts/label.js';
import type { SeenLabels, VerifiedResult } from '../receipts/verified-result.js';
import type { ResultRecord } from '../records/result-record.js';
import { bindShown } from '../signatures/shown-document.js';
import type { Signature, SignatureManifest, SignatureSubject } from '../signatures/signature.js';
import type { NotSigned } from './review-answer.js';
import { REASON_MAX, readSignedText } from './review-request.js';

type Fields = Readonly<Record<string, unknown>>;

export interface LabelReviewRequest {
  /** SHA-256 of the document the signer was shown. */
  readonly shownSha256: string;
  readonly seen: SeenLabels;
  readonly reason: string;
}

export type LabelReviewAnswer =
  | { readonly kind: 'signed'; readonly signature: Signature }
  | NotSigned;

/** How the labels of a result were entered; null where the report does not say. */
interface Entered {
  readonly receiptEntry: string | null;
  readonly containerEntry: string | null;
}

/** A result whose labels were not both scanned, as the page of its receipt lists it. */
export interface LabelsOfResult extends Entered {
  readonly rowId: string;
  readonly resultId: string;
  readonly container: string;
  /** Of who compared them; null while nobody has. */
  readonly comparedBy: SignatureManifest | null;
}

/** A subject of its own: what is signed is the comparison, not the result. */
export function labelSubject(result: VerifiedResult): SignatureSubject {
  return { kind: 'labels', id: result.id, revision: result.revision };
}

/** What was reported and never changes; the container may be printed anew. */
function recordOf(result: VerifiedResult) {
  const { receiptEntry, containerEntry } = labelsEntered(result.record);
  return {
    resultId: result.result_id,
    operatorId: result.operator_id,
    receipt: { text: result.receipt_scanned, entry: receiptEntry },
    container: { text: result.container_scanned, entry: containerEntry },
  };
}

/** @param record canonical record of a result; null where it has none */
export function labelsEntered(record: string | null): Entered {
  const read = record === null ? null : (JSON.parse(record) as ResultRecord);
  return {
    receiptEntry: read?.receipt?.entry ?? null,
    containerEntry: read?.container?.entry ?? null,
  };
}

export function shownLabels(result: VerifiedResult) {
  return bindShown({
    subject: { ...labelSubject(result) },
    record: recordOf(result),
    context: null,
  });
}

/** @param comparison the signature of who compared the labels; null while nobody has */
export function labelReviewView(result: VerifiedResult, comparison: SignatureManifest | null) {
  return {
    ...recordOf(result),
    rowId: result.id,
    receiptId: result.receipt_id,
    containerLabel: result.container_label,
    isCompared: comparison !== null,
    /** Of who compared them. */
    signature: comparison,
    sha256: shownLabels(result).sha256,
  };
}

export type LabelReviewView = ReturnType<typeof labelReviewView>;

/**
 * A comparison as it is entered, with what proves its signer.
 *
 * @throws Problem `query-invalid` that names the field
 */
export function readLabelReview(fields: Fields): {
  readonly request: LabelReviewRequest;
  readonly userName: string | null;
  readonly password: string;
} {
  const signed = readSignedText(fields, 'reason', REASON_MAX);
  const { shownSha256, text: reason, userName, password } = signed;
  const seen = {
    container: readLabel(fields, 'seenContainer'),
    receipt: readLabel(fields, 'seenReceipt'),
  };
  return { request: { shownSha256, reason, seen }, userName, password };
}

function readLabel(fields: Fields, name: string): string {
  const text = fields[name];
  if (typeof text === 'string' && text.trim() !== '' && text.length <= LABEL_LENGTH_MAX) {
    return text;
  }
  const expected = `expected what the label shows, 1 to ${LABEL_LENGTH_MAX} characters`;
  throw new Problem('query-invalid', `${name}: ${expected}`);
}
