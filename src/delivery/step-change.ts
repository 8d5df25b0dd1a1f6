import type { Instant } from '../formats/instant.js';
import type { DeliveryFault } from '../storage/tables.js';
import type { Step } from './next-step.js';
import type { AskStep } from './read-back-judgement.js';

/** What a decision writes; the shape of `DeliveryChange`, without its store. */
export interface StepChange {
  readonly state:
    | 'due'
    | 'accepted'
    | 'confirmed'
    | 'uncertain'
    | 'rejected'
    | 'parked'
    | 'superseded';
  readonly due_at?: Instant;
  readonly next_ask_at?: Instant | null;
  readonly absent_asks?: number;
  readonly attempts_before?: number;
  readonly accepted_at?: Instant;
  readonly confirmed_at?: Instant;
  readonly destination_reference?: string | null;
  readonly reason?: string | null;
  readonly fault?: DeliveryFault | null;
  readonly claimed_by: null;
}

/** A double stays named whatever follows; other faults are mended by what mends them. */
function kept(fault: DeliveryFault | null): DeliveryFault | null {
  return fault === 'duplicate' ? fault : null;
}

/** The columns that a step after an attempt writes. */
export function changeOfStep(
  step: Step,
  faultBefore: DeliveryFault | null,
  detail: string | null,
  now: Instant,
): StepChange {
  switch (step.kind) {
    case 'accept':
      return {
        state: 'accepted',
        accepted_at: now,
        next_ask_at: step.askAt,
        destination_reference: step.reference,
        fault: kept(faultBefore),
        reason: null,
        claimed_by: null,
      };
    case 'retry':
      return {
        state: 'due',
        due_at: step.at,
        fault: step.fault ?? kept(faultBefore),
        reason: detail,
        claimed_by: null,
      };
    case 'resend':
      return {
        state: 'uncertain',
        due_at: step.at,
        next_ask_at: null,
        fault: step.fault ?? kept(faultBefore),
        reason: detail,
        claimed_by: null,
      };
    case 'ask':
      return { state: 'uncertain', next_ask_at: step.at, reason: detail, claimed_by: null };
    case 'reject':
      return { state: 'rejected', fault: 'rejected', reason: step.reason, claimed_by: null };
    case 'park':
      return { state: 'parked', fault: step.fault, reason: step.reason, claimed_by: null };
    case 'retire':
      return { state: 'superseded', reason: step.reason, claimed_by: null };
  }
}

/** The columns that the judgement of a read-back writes. */
export function changeOfAsk(
  step: AskStep,
  before: { readonly state: 'accepted' | 'uncertain'; readonly fault: DeliveryFault | null },
  now: Instant,
): StepChange {
  switch (step.kind) {
    case 'confirm':
      return {
        state: 'confirmed',
        confirmed_at: now,
        next_ask_at: null,
        fault: step.fault ?? kept(before.fault),
        reason: step.detail,
        claimed_by: null,
      };
    case 'wait':
      return {
        state: before.state,
        next_ask_at: step.at,
        absent_asks: step.absentAsks,
        fault: step.fault ?? before.fault,
        ...(step.detail === null ? {} : { reason: step.detail }),
        claimed_by: null,
      };
    case 'resend':
      return {
        state: 'due',
        due_at: step.at,
        next_ask_at: null,
        absent_asks: 0,
        fault: kept(before.fault),
        reason: step.detail,
        claimed_by: null,
      };
    case 'retire':
      return { state: 'superseded', next_ask_at: null, reason: step.detail, claimed_by: null };
    case 'park':
      return {
        state: step.isAccepted ? 'accepted' : 'parked',
        next_ask_at: null,
        fault: step.fault,
        reason: step.detail,
        claimed_by: null,
      };
  }
}

/** True when a change alters what reports and statements say about the delivery, not only when it goes on. */
export function isNews(
  before: { readonly state: string; readonly fault: string | null },
  change: StepChange,
): boolean {
  const fault = change.fault === undefined ? before.fault : change.fault;
  return change.state !== before.state || fault !== before.fault;
}
