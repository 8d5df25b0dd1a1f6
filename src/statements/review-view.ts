import { clearanceOf } from '../checks/clearance.js';
import { readNumbers, type ShownNumbers, shownNumbers } from '../intake/finding-numbers.js';
import type { Validity } from '../signatures/shown-document.js';
import { bindShown, type ShownDocument, validityOf } from '../signatures/shown-document.js';
import {
  type Signature,
  type SignatureManifest,
  signatureManifest,
} from '../signatures/signature.js';
import type { BrokenSignature } from '../signatures/verify-signatures.js';
import type { FindingRow, ResultState } from '../storage/tables.js';
import {
  type ReviewCase,
  type ReviewOptions,
  reviewDocument,
  reviewOptions,
} from './result-review.js';
import { reviewedRecord, reviewValidity } from './reviewed-record.js';

/** A signature wherever its record is shown: its manifest, and whether it still holds. */
export interface ShownSignature extends SignatureManifest {
  readonly validity: Validity['kind'];
  /** JSON Pointers of what reads differently than what was signed. */
  readonly changed: readonly string[];
  /** What the trail says against it; null when its entry is there and is its own. */
  readonly broken: string | null;
}

/** One result with everything a reviewer looks at, as it is now. */
export interface ReviewView {
  readonly rowId: string;
  readonly resultId: string;
  readonly state: ResultState;
  readonly receiptId: string | null;
  /** What is signed, and the SHA-256 of its RFC 8785 form that a signer names. */
  readonly shown: ShownDocument;
  readonly sha256: string;
  readonly options: ReviewOptions;
  readonly findings: readonly (Pick<
    FindingRow,
    'code' | 'severity' | 'pointer' | 'message' | 'advice'
  > &
    ShownNumbers & { readonly clearance: string; readonly why: string })[];
  /** The canonical record, JSON text; null when none could be built. */
  readonly record: string | null;
  readonly signatures: readonly ShownSignature[];
}

export function reviewView(
  about: ReviewCase,
  signatures: readonly Signature[],
  broken: readonly BrokenSignature[],
): ReviewView {
  const { result, findings } = about.parts;
  const shown = reviewDocument(about);
  return {
    rowId: result.id,
    resultId: result.result_id,
    state: result.state,
    receiptId: result.receipt_id,
    shown,
    sha256: bindShown(shown).sha256,
    options: reviewOptions(about),
    findings: findings.map(
      ({ code, severity, pointer, message, advice, numbers, result_row_id: of }) => ({
        code,
        severity,
        pointer,
        message,
        advice,
        ...shownNumbers(readNumbers(numbers)),
        ...answerTo({ code, severity, isOfBundle: of === null }),
      }),
    ),
    record: result.record,
    signatures: signatures.map((signature) => {
      const validity =
        signature.id === result.review_signature_id && signature.subject.id !== result.id
          ? (about.reviewed ?? { kind: 'void', changed: [''] as const })
          : signature.id === result.review_signature_id
            ? reviewValidity(result, signature, reviewedRecord(about.parts))
            : validityOf(signature, reviewedRecord(about.parts));
      return shownSignature(signature, validity, brokenWords(broken, signature.id));
    }),
  };
}

export function shownSignature(
  signature: Signature,
  validity: Validity,
  broken: string | null,
): ShownSignature {
  return {
    ...signatureManifest(signature),
    validity: validity.kind,
    changed: validity.kind === 'void' ? validity.changed : [],
    broken,
  };
}

/** Signatures of a record that is as it is now. */
export function signaturesShown(
  signatures: readonly Signature[],
  current: Pick<ShownDocument, 'subject' | 'record'>,
  broken: readonly BrokenSignature[],
): ShownSignature[] {
  return signatures.map((s) =>
    shownSignature(s, validityOf(s, current), brokenWords(broken, s.id)),
  );
}

export function brokenWords(broken: readonly BrokenSignature[], id: string): string | null {
  const found = broken.find((b) => b.signatureId === id);
  return found ? `${found.fault}: ${found.detail}` : null;
}

function answerTo(finding: {
  readonly code: string;
  readonly severity: string;
  readonly isOfBundle: boolean;
}): { readonly clearance: string; readonly why: string } {
  if (finding.severity !== 'hold') return { clearance: 'none', why: 'a remark holds nothing' };
  if (finding.isOfBundle) {
    return { clearance: 'never', why: 'what is wrong is the bundle: send it again intact' };
  }
  return clearanceOf(finding.code);
}

/** A result that waits for a reviewer, in a list. */
export interface WaitingReview {
  readonly rowId: string;
  readonly resultId: string;
  readonly receiptId: string | null;
  readonly receiptScanned: string | null;
  readonly container: string | null;
  readonly decision: string | null;
  readonly contrary: boolean;
  readonly operator: string | null;
  /** RFC 3339 in UTC. */
  readonly measuredAt: string | null;
  /** Codes of what holds it; of a signature that is void, `signature-void`. */
  readonly heldBy: readonly string[];
}

export interface ReviewList {
  readonly waiting: readonly WaitingReview[];
  /** Give it as `after` to read on; null at the end. */
  readonly next: string | null;
}
