import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { ReviewAnswer } from '../statements/review-answer.js';
import type { ReviewRequest } from '../statements/review-request.js';
import type { ReviewList, ReviewView } from '../statements/review-view.js';

/** Injection token of the `ReviewSource` the application binds. */
export const REVIEW_SOURCE = Symbol('REVIEW_SOURCE');

/** What the pages need of reviews; bound where the application is wired. */
export interface ReviewSource {
  list(after: string, limit: number): Promise<ReviewList>;
  show(rowId: string): Promise<ReviewView | null>;
  decide(rowId: string, request: ReviewRequest, who: SigningRequest): Promise<ReviewAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
