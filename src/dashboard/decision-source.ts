import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type {
  DecisionAnswer,
  DecisionSigning,
  SiteDecisionSummary,
  SiteDecisionView,
} from '../statements/site-decision-view.js';

/** Injection token of the `DecisionSource` the application binds. */
export const DECISION_SOURCE = Symbol('DECISION_SOURCE');

export const DECISIONS_PATH = '/decisions';

/** Address of the page of one site decision. */
export function decisionPath(id: string): string {
  return `${DECISIONS_PATH}/${encodeURIComponent(id)}`;
}

/** What the pages need of site decisions; bound where the application is wired. */
export interface DecisionSource {
  list(): Promise<readonly SiteDecisionSummary[]>;
  show(id: string): Promise<SiteDecisionView | null>;
  sign(id: string, request: DecisionSigning, who: SigningRequest): Promise<DecisionAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
