import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type {
  LabelReviewAnswer,
  LabelReviewRequest,
  LabelReviewView,
  LabelsOfResult,
} from '../statements/label-review-view.js';

/** Injection token of the `LabelsSource` the application binds. */
export const LABELS_SOURCE = Symbol('LABELS_SOURCE');

/** What pages need of labels that were not scanned; bound where the application is wired. */
export interface LabelsSource {
  ofReceipt(receiptId: string): Promise<LabelsOfResult[]>;
  show(rowId: string): Promise<LabelReviewView | null>;
  verify(
    rowId: string,
    request: LabelReviewRequest,
    who: SigningRequest,
  ): Promise<LabelReviewAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
