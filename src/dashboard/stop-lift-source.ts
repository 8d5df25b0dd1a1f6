import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type {
  StopLiftAnswer,
  StopLiftRequest,
  StopLiftView,
} from '../statements/stop-lift-view.js';

/** Injection token of the `StopLiftSource` the application binds. */
export const STOP_LIFT_SOURCE = Symbol('STOP_LIFT_SOURCE');

/** What the page of a receipt needs of its stops; bound where the application is wired. */
export interface StopLiftSource {
  show(receiptId: string): Promise<StopLiftView | null>;
  lift(receiptId: string, request: StopLiftRequest, who: SigningRequest): Promise<StopLiftAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
