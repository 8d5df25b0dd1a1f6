import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { CauseAnswer, CauseRequest } from '../statements/cause-view.js';
import type { PerformanceCauseView } from '../statements/performance-view.js';

/** Injection token of the `PerformanceCauseSource` the application binds. */
export const PERFORMANCE_CAUSE_SOURCE = Symbol('PERFORMANCE_CAUSE_SOURCE');

/** What the page needs of a performance check that failed; bound where the application is wired. */
export interface PerformanceCauseSource {
  show(rowId: string): Promise<PerformanceCauseView | null>;
  sign(rowId: string, request: CauseRequest, who: SigningRequest): Promise<CauseAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
