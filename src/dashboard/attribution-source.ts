import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type {
  AttributionAnswer,
  AttributionProposal,
  AttributionRequest,
  AttributionView,
  ProposalAnswer,
  ResultPlaceView,
  ShownAttribution,
} from '../statements/attribution-view.js';

/** Injection token of the `AttributionSource` the application binds. */
export const ATTRIBUTION_SOURCE = Symbol('ATTRIBUTION_SOURCE');

/** What the pages need of attributions; bound where the application is wired. */
export interface AttributionSource {
  list(after: string, limit: number): Promise<ShownAttribution[]>;
  show(id: string): Promise<AttributionView | null>;
  showResult(rowId: string): Promise<ResultPlaceView | null>;
  propose(
    rowId: string,
    proposal: AttributionProposal,
    by: {
      readonly accountId: string;
      readonly printedName: string;
      readonly source: string | null;
    },
  ): Promise<ProposalAnswer>;
  decide(id: string, request: AttributionRequest, who: SigningRequest): Promise<AttributionAnswer>;
  needed(accountId: string, sessionId: string): Promise<Components>;
}
