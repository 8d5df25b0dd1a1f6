import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type {
  ReceiptReviewAnswer,
  ReceiptReviewRequest,
  ReceiptReviewView,
} from '../statements/receipt-review-view.js';

/** Injection token of the `ReceiptReviewSource` the application binds. */
export const RECEIPT_REVIEW_SOURCE = Symbol('RECEIPT_REVIEW_SOURCE');

/** What the page of a receipt needs of its second person; bound where the application is wired. */
export interface ReceiptReviewSource {
  show(receiptId: string): Promise<ReceiptReviewView | null>;
  decide(
    receiptId: string,
    request: ReceiptReviewRequest,
    who: SigningRequest,
  ): Promise<ReceiptReviewAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
