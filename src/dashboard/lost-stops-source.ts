import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type { LostStopAnswer, LostStopRequest, LostStopView } from '../statements/lost-stop.js';

/** Injection token of the `LostStopsSource` the application binds. */
export const LOST_STOPS_SOURCE = Symbol('LOST_STOPS_SOURCE');

/** What pages need of stops that a restore lost; bound where the application is wired. */
export interface LostStopsSource {
  count(receiptId: string): Promise<number>;
  show(receiptId: string): Promise<LostStopView | null>;
  acknowledge(
    receiptId: string,
    request: LostStopRequest,
    who: SigningRequest,
  ): Promise<LostStopAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
