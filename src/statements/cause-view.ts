import type { ShownDocument } from '../signatures/shown-document.js';
import type { Signature } from '../signatures/signature.js';
import type { ResultState } from '../storage/tables.js';
import type { Attempt } from './assigned-cause.js';
import type { NotSigned } from './review-answer.js';
import type { ReviewOption } from './review-option.js';
import type { Investigated } from './review-request.js';
import type { ShownSignature } from './review-view.js';

export type CauseRequest = Investigated;

export interface CauseView {
  readonly rowId: string;
  readonly resultId: string;
  readonly receiptId: string | null;
  readonly container: string | null;
  readonly state: ResultState;
  readonly decision: string | null;
  /** Every attempt on the container, in the order they were stored. */
  readonly series: readonly Attempt[];
  readonly cause: ReviewOption;
  readonly shown: ShownDocument;
  readonly sha256: string;
  /** In the order they were made; a void one explains nothing. */
  readonly signatures: readonly ShownSignature[];
}

export type CauseAnswer = { readonly kind: 'signed'; readonly signature: Signature } | NotSigned;
