import type { DeliveryActRow } from '../storage/tables.js';
import type { ActDecision } from './stopped-delivery.js';

/** A delivery as it was shown to the person who decides. */
export interface NamedDelivery {
  readonly id: string;
  readonly version: string;
}

/** What came of an act on a delivery. */
export type ActAnswer =
  | {
      readonly kind: 'done';
      readonly done: DeliveryActRow['done'];
      /** The delivery that leaves: of a rebuild the new build. */
      readonly deliveryId: string;
      /** The same person has had it done already, and nothing was done again. */
      readonly isRepeated: boolean;
    }
  | { readonly kind: 'unknown' }
  /** It is not as it was shown. */
  | { readonly kind: 'changed'; readonly found: string }
  | Extract<ActDecision, { kind: 'refused' }>;

/** What came of an act on one of several. */
export type ActReport =
  | {
      readonly id: string;
      readonly isDone: true;
      readonly done: DeliveryActRow['done'];
      readonly deliveryId: string;
    }
  | {
      readonly id: string;
      readonly isDone: false;
      readonly code: string;
      readonly found: string;
      readonly remedy: string;
    };

/** The answer as a line of a report about several. */
export function reportOf(id: string, answer: ActAnswer): ActReport {
  switch (answer.kind) {
    case 'done': {
      const { done, deliveryId } = answer;
      return { id, isDone: true, done, deliveryId };
    }
    case 'unknown':
      return notDone(id, 'not-found', 'no delivery has this id', 'Look at the list again.');
    case 'changed':
      return notDone(id, 'delivery-changed', answer.found, 'Look at it again.');
    case 'refused':
      return notDone(id, answer.code, answer.found, answer.remedy);
  }
}

function notDone(id: string, code: string, found: string, remedy: string): ActReport {
  return { id, isDone: false, code, found, remedy };
}
