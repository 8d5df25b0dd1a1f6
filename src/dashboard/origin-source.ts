import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type {
  OriginReviewAnswer,
  OriginReviewRequest,
  OriginView,
} from '../statements/origin-view.js';

/** Injection token of the `OriginSource` the application binds. */
export const ORIGIN_SOURCE = Symbol('ORIGIN_SOURCE');

/** What the page needs of where containers came from; bound where the application is wired. */
export interface OriginSource {
  show(receiptId: string): Promise<OriginView | null>;
  sign(
    receiptId: string,
    request: OriginReviewRequest,
    who: SigningRequest,
  ): Promise<OriginReviewAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
