import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { TrailReviewRequest } from '../statements/trail-review-request.js';
import type {
  TrailReviewAnswer,
  TrailReviewList,
  TrailReviewView,
} from '../statements/trail-review-view.js';

/** Injection token of the `TrailReviewSource` the application binds. */
export const TRAIL_REVIEW_SOURCE = Symbol('TRAIL_REVIEW_SOURCE');

/** What the page needs of reviews of the trail; bound where the application is wired. */
export interface TrailReviewSource {
  list(): Promise<TrailReviewList>;
  show(last: number | null): Promise<TrailReviewView | null>;
  sign(request: TrailReviewRequest, who: SigningRequest): Promise<TrailReviewAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
