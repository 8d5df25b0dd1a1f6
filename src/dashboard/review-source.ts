import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type {
  BundleReviewAnswer,
  BundleReviewView,
  HeldBundle,
} from '../statements/bundle-review-view.js';
import type { ReviewAnswer } from '../statements/review-answer.js';
import type { ReviewRequest, SignedText } from '../statements/review-request.js';
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

/** Injection token of the `BundleReviewSource` the application binds. */
export const BUNDLE_REVIEW_SOURCE = Symbol('BUNDLE_REVIEW_SOURCE');

/** What the pages need of held bundles. */
export interface BundleReviewSource {
  list(limit: number): Promise<HeldBundle[]>;
  show(rowId: string): Promise<BundleReviewView | null>;
  refuse(
    rowId: string,
    request: Pick<SignedText, 'shownSha256' | 'text'>,
    who: SigningRequest,
  ): Promise<BundleReviewAnswer>;
  needed(accountId: string, sessionId: string): Promise<Components>;
}
