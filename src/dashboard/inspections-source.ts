import type { InspectionLiftView, InspectionsView } from '../receipts/inspection-view.js';
import type { Components } from '../signatures/signature.js';
import type { SigningRequest } from '../signatures/signing-request.js';
import type {
  InspectionAnswer,
  InspectionLiftAnswer,
  InspectionLiftRequest,
  InspectionRequest,
} from '../statements/inspection-request.js';

/** Injection token of the `InspectionsSource` the application binds. */
export const INSPECTIONS_SOURCE = Symbol('INSPECTIONS_SOURCE');

/** What pages need of inspections of labels and damage; bound where the application is wired. */
export interface InspectionsSource {
  show(receiptId: string): Promise<InspectionsView | null>;
  report(
    receiptId: string,
    request: InspectionRequest,
    who: SigningRequest,
  ): Promise<InspectionAnswer>;
  showLift(receiptId: string, inspectionId: string): Promise<InspectionLiftView | null>;
  lift(
    receiptId: string,
    request: InspectionLiftRequest,
    who: SigningRequest,
  ): Promise<InspectionLiftAnswer>;
  /** Which components the next signature of a person takes. */
  needed(accountId: string, sessionId: string): Promise<Components>;
}
