import { addMs, type Instant } from '../formats/instant.js';
import type { DestinationTiming } from '../site/site-folder.js';
import type { DeliveryFault, DeliveryRow } from '../storage/tables.js';
import type { AttemptOutcome } from './attempt-outcome.js';
import { backoffMs } from './backoff.js';

export type RetryPolicy = DestinationTiming;

/** Sends that the limits of the policy count: since a person last took the delivery up. */
export function triesOf(row: Pick<DeliveryRow, 'attempts' | 'attempts_before'>): number {
  return row.attempts - row.attempts_before;
}

/** What the decision after an attempt rests on. */
export interface AttemptFacts {
  /** Sends so far, the one just made included. */
  readonly attempts: number;
  /** The destination stores a message once per key (or the create is conditional). */
  readonly honoursKey: boolean;
  /** The destination can be asked whether it holds this message. */
  readonly askable: boolean;
  /** The attempt was itself made in doubt: an earlier one may have arrived. */
  readonly wasUncertain: boolean;
  /** The attempt before this one was refused for its credentials. */
  readonly wasDenied: boolean;
  /** False once a stop, a newer statement or what became of its result bars this message from ever being sent again (rules 21 and 25). */
  readonly maySend: boolean;
}

export type Step =
  | {
      readonly kind: 'accept';
      readonly reference: string | null;
      /** When to read back; null when the destination cannot be asked. */
      readonly askAt: Instant | null;
    }
  /** Known not to be there: due again. */
  | { readonly kind: 'retry'; readonly at: Instant; readonly fault: DeliveryFault | null }
  /** Doubtful, and sending again with the same key cannot double it. */
  | { readonly kind: 'resend'; readonly at: Instant; readonly fault: DeliveryFault | null }
  /** Doubtful: read back before anything is sent. */
  | { readonly kind: 'ask'; readonly at: Instant }
  | { readonly kind: 'reject'; readonly reason: string }
  | { readonly kind: 'park'; readonly fault: DeliveryFault; readonly reason: string }
  /** Known not to be there and no longer to be sent. */
  | { readonly kind: 'retire'; readonly reason: string };

/**
 * Decides what follows an attempt. A doubtful message is never sent again unless the destination honours
 * the key; one that can be asked is asked; where neither holds a person decides.
 *
 * @param jitter evenly distributed in [0, 1)
 */
export function nextStep(
  facts: AttemptFacts,
  outcome: AttemptOutcome,
  policy: RetryPolicy,
  now: Instant,
  jitter: number,
): Step {
  switch (outcome.kind) {
    case 'accepted':
      return {
        kind: 'accept',
        reference: outcome.reference,
        askAt: facts.askable ? addMs(now, policy.processingMs) : null,
      };
    case 'unavailable': {
      const delayMs = waitMs(facts, outcome.retryAfterMs, policy, jitter);
      return (facts.wasUncertain ? afterDoubt : retryOrPark)(
        facts,
        outcome.detail,
        delayMs,
        policy,
        now,
      );
    }
    case 'postponed':
      return afterPostponed(facts, outcome.detail, policy, now);
    case 'uncertain':
      return afterDoubt(facts, outcome.detail, waitMs(facts, null, policy, jitter), policy, now);
    case 'key-busy':
      return afterBusyKey(facts, outcome.detail, waitMs(facts, null, policy, jitter), policy, now);
    case 'key-conflict':
      return { kind: 'park', fault: 'key-conflict', reason: outcome.detail };
    case 'credentials':
      return afterDenied(facts, outcome.detail, waitMs(facts, null, policy, jitter), policy, now);
    case 'rejected':
      if (!facts.wasUncertain) return { kind: 'reject', reason: outcome.detail };
      // What was refused this time may be there by an earlier attempt, and has to be withdrawn there like that.
      return facts.askable
        ? { kind: 'ask', at: addMs(now, policy.processingMs) }
        : { kind: 'park', fault: 'rejected', reason: outcome.detail };
    case 'withheld':
      return { kind: 'park', fault: 'contract', reason: outcome.detail };
  }
}

/** The larger of what the destination asks for and our own back-off (RFC 9110 §10.2.3, RFC 6585). */
function waitMs(
  facts: AttemptFacts,
  retryAfterMs: number | null,
  policy: RetryPolicy,
  jitter: number,
): number {
  const own = backoffMs(policy.retryBaseMs, policy.retryMaxMs, facts.attempts, jitter);
  return Math.max(own, retryAfterMs ?? 0);
}

/** Before it is tried again what was too late by our own doing: that is no fault of the destination, and none to wait for. */
const POSTPONED_MS_MAX = 1_000;

/** As it stood before the claim; what was not tried counts as no attempt. */
function afterPostponed(
  facts: AttemptFacts,
  reason: string,
  policy: RetryPolicy,
  now: Instant,
): Step {
  const again = facts.wasUncertain ? afterDoubt : retryOrPark;
  const untried = { ...facts, attempts: 0, wasUncertain: false };
  return again(untried, reason, Math.min(policy.retryBaseMs, POSTPONED_MS_MAX), policy, now);
}

function retryOrPark(
  facts: AttemptFacts,
  reason: string,
  delayMs: number,
  policy: RetryPolicy,
  now: Instant,
): Step {
  if (!facts.maySend) return { kind: 'retire', reason };
  if (facts.attempts >= policy.attemptsMax) return { kind: 'park', fault: 'exhausted', reason };
  return { kind: 'retry', at: addMs(now, delayMs), fault: null };
}

/**
 * With a key that is honoured the first doubt is settled by sending again, which also brings the answer; a
 * second doubt in a row is asked about where that is possible, since a destination that stores and never
 * answers would otherwise use up every attempt.
 */
function afterDoubt(
  facts: AttemptFacts,
  reason: string,
  delayMs: number,
  policy: RetryPolicy,
  now: Instant,
): Step {
  const mayResend = facts.honoursKey && facts.maySend && facts.attempts < policy.attemptsMax;
  if (mayResend && !(facts.askable && facts.wasUncertain)) {
    return { kind: 'resend', at: addMs(now, delayMs), fault: null };
  }
  if (facts.askable) return { kind: 'ask', at: addMs(now, policy.processingMs) };
  const fault = facts.honoursKey && facts.maySend ? 'exhausted' : 'cannot-ask';
  return { kind: 'park', fault, reason };
}

/** Idempotency-Key draft: only after a 409 may the same request be repeated unchanged. */
function afterBusyKey(
  facts: AttemptFacts,
  reason: string,
  delayMs: number,
  policy: RetryPolicy,
  now: Instant,
): Step {
  if (facts.askable) return { kind: 'ask', at: addMs(now, Math.max(delayMs, policy.processingMs)) };
  return afterDoubt(facts, reason, delayMs, policy, now);
}

/** Once more, because credentials are read anew for every send; then a person has to look. */
function afterDenied(
  facts: AttemptFacts,
  reason: string,
  delayMs: number,
  policy: RetryPolicy,
  now: Instant,
): Step {
  if (facts.wasDenied) return { kind: 'park', fault: 'credentials', reason };
  if (facts.wasUncertain) {
    const step = afterDoubt(facts, reason, delayMs, policy, now);
    return step.kind === 'resend' ? { ...step, fault: 'credentials' } : step;
  }
  if (!facts.maySend) return { kind: 'retire', reason };
  return { kind: 'retry', at: addMs(now, delayMs), fault: 'credentials' };
}
