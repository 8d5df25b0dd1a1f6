import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type {
  RejectionAnswer,
  RejectionRequest,
  RejectionView,
} from '../statements/container-rejection-view.js';

/** Injection token of the `RejectionSource` the application binds. */
export const REJECTION_SOURCE = Symbol('REJECTION_SOURCE');

/** What the page needs of rejected containers; bound where the application is wired. */
export interface RejectionSource {
  show(receiptId: string, container: string): Promise<RejectionView | null>;
  reject(
    receiptId: string,
    request: RejectionRequest,
    who: SigningRequest,
  ): Promise<RejectionAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
