import type { MeasuredBy } from '../access/duties.js';
import type { Condition, StatementOutcome } from '../records/statement-record.js';
import { bindShown, type ShownDocument } from '../signatures/shown-document.js';
import type { Signature } from '../signatures/signature.js';
import type { BrokenSignature } from '../signatures/verify-signatures.js';
import {
  DECLARED,
  type ReceiptReviewAct,
  type ReceiptReviewCase,
  type ReceiptReviewOptions,
  receiptReviewDocument,
  receiptReviewOptions,
} from './receipt-review.js';
import type { NotSigned } from './review-answer.js';
import type { SignedRequest } from './review-request.js';
import { brokenWords, type ShownSignature, shownSignature } from './review-view.js';
import { statementValidity } from './statement-evidence.js';

export type ReceiptReviewRequest = SignedRequest<ReceiptReviewAct>;

export type ReceiptReviewAnswer =
  | {
      readonly kind: 'signed';
      readonly signature: Signature;
      readonly outcome: StatementOutcome;
      readonly revision: number;
    }
  | NotSigned;

/** A statement with everything its second person looks at, as it is now. */
export interface ReceiptReviewView {
  readonly receiptId: string;
  readonly revision: number;
  readonly outcome: StatementOutcome;
  /** What is signed, and the SHA-256 of its RFC 8785 form that a signer names. */
  readonly shown: ShownDocument;
  readonly sha256: string;
  readonly options: ReceiptReviewOptions;
  readonly conditions: readonly Condition[];
  readonly measuredBy: readonly MeasuredBy[];
  /** What the signer declares by signing. */
  readonly declared: string;
  readonly signatures: readonly ShownSignature[];
}

export function receiptReviewView(
  about: ReceiptReviewCase,
  broken: readonly BrokenSignature[],
): ReceiptReviewView {
  const shown = receiptReviewDocument(about);
  return {
    receiptId: about.receiptId,
    revision: about.revision,
    outcome: about.draft.outcome,
    shown,
    sha256: bindShown(shown).sha256,
    options: receiptReviewOptions(about),
    conditions: about.draft.conditions,
    measuredBy: about.measuredBy,
    declared: DECLARED,
    signatures: about.signatures.map((signature) =>
      shownSignature(
        signature,
        statementValidity(signature, about.evidence),
        brokenWords(broken, signature.id),
      ),
    ),
  };
}

/** A receipt of which everything holds but that nobody has signed. */
export interface WaitingReceipt {
  readonly receiptId: string;
  readonly receiptNumber: string | null;
  readonly line: string | null;
  readonly material: string | null;
  readonly siteLot: string | null;
  readonly revision: number;
  readonly containers: number;
}

export interface WaitingReceipts {
  readonly waiting: readonly WaitingReceipt[];
  /** Give it as `after` to read on; null at the end. */
  readonly next: string | null;
}
