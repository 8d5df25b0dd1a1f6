import type { Instant } from '../formats/instant.js';
import type { MessageName } from '../site/mapping-document.js';
import type { DeliveryState, SubjectKind } from '../storage/tables.js';

/** A message that is to reach a destination, before it has a place in the order. */
export interface NewDelivery {
  readonly site: string;
  readonly subjectKind: SubjectKind;
  /** result: `result.id`; withdrawal: `withdrawal.id`; statement: receipt id; stop: `stop.id`; period: `period.id`. */
  readonly subjectId: string;
  readonly subjectRevision: number;
  readonly receiptId: string | null;
  readonly destination: string;
  readonly message: MessageName;
  /** 1 unless a rebuild makes another. */
  readonly build?: number;
  /** From `resultKey`, `statementKey`, `stopKey` or `periodKey`. */
  readonly orderingKey: string;
  /** True for a *conforms*: it waits for its receipt's results at this destination. */
  readonly isConforms: boolean;
  readonly isContrary: boolean;
  readonly mappingDigest: string;
  /** Instance epoch in which it is created; part of its idempotency key for good. */
  readonly epoch: number;
  readonly now: Instant;
}

/** All revisions of one result and their withdrawals leave in order. */
export function resultKey(resultId: string): string {
  return `result:${resultId}`;
}

/** The statements of one receipt leave in order. */
export function statementKey(receiptId: string): string {
  return `statement:${receiptId}`;
}

/** Stops never wait for one another; the key only numbers them. */
export function stopKey(receiptId: string): string {
  return `stop:${receiptId}`;
}

/** The close of a period and its addenda leave in order; each is a revision of it. */
export function periodKey(periodId: string): string {
  return `period:${periodId}`;
}

/** States in which a delivery no longer holds up what comes after it in its key. */
export const RELEASING_STATES: readonly DeliveryState[] = [
  'accepted',
  'confirmed',
  'cancelled',
  'superseded',
];

/** States in which the message is known not to be at the destination and may still be taken back. */
export const UNSENT_STATES: readonly DeliveryState[] = ['due', 'building'];
