import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { CauseAnswer, CauseRequest, CauseView } from '../statements/cause-view.js';

/** Injection token of the `CauseSource` the application binds. */
export const CAUSE_SOURCE = Symbol('CAUSE_SOURCE');

/** What the page needs of assignable causes; bound where the application is wired. */
export interface CauseSource {
  show(rowId: string): Promise<CauseView | null>;
  sign(rowId: string, request: CauseRequest, who: SigningRequest): Promise<CauseAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
