import { addMs, type Instant } from '../formats/instant.js';
import type { DestinationTiming } from '../site/site-folder.js';
import type { DeliveryFault } from '../storage/tables.js';
import { backoffMs } from './backoff.js';
import type { ReadBackAnswer } from './read-back-answer.js';

/** Once a fault is named and a person has to look, the destination is asked no oftener than this. */
export const SLOW_ASK_MS = 60_000;

export interface AskFacts {
  readonly state: 'accepted' | 'uncertain';
  /** Start of the last send; its deadline and the settling time run from here. */
  readonly sentAt: Instant;
  readonly attempts: number;
  /** Asks so far, the one just answered included. */
  readonly asks: number;
  /** Counting "absent" answers in a row before this one. */
  readonly absentAsks: number;
  /** False once a stop, a newer statement or what became of its result bars this message from being sent again (rules 21 and 25). */
  readonly maySend: boolean;
}

export type AskStep =
  | { readonly kind: 'confirm'; readonly fault: 'duplicate' | null; readonly detail: string | null }
  /** Nothing new is known: ask again. */
  | {
      readonly kind: 'wait';
      readonly at: Instant;
      readonly absentAsks: number;
      readonly fault: DeliveryFault | null;
      readonly detail: string | null;
    }
  /** Known absent, or a stop that is not shown: due again under the same key, from then on. */
  | { readonly kind: 'resend'; readonly at: Instant; readonly detail: string }
  /** Known absent and no longer to be sent. */
  | { readonly kind: 'retire'; readonly detail: string }
  /** Never resent; a person decides. `isAccepted` keeps the acceptance that the destination gave. */
  | {
      readonly kind: 'park';
      readonly fault: DeliveryFault;
      readonly isAccepted: boolean;
      readonly detail: string;
    };

/**
 * Decides what an answer to "do you have it?" means. Absent counts only after the request's deadline and
 * the declared settling time, and only `absentAsks` times in a row (rule 26). What the destination
 * acknowledged and then does not have is named and left to a person: it is not sent a second time.
 */
export function judgeReadBack(
  facts: AskFacts,
  answer: ReadBackAnswer,
  timing: DestinationTiming,
  now: Instant,
  jitter: number,
): AskStep {
  const delayMs = backoffMs(timing.retryBaseMs, timing.retryMaxMs, facts.asks, jitter);
  switch (answer.kind) {
    case 'one':
    case 'overtaken':
      return { kind: 'confirm', fault: null, detail: null };
    case 'several': {
      const detail = `${answer.count} equal messages are held`;
      if (answer.isApplied) return { kind: 'confirm', fault: 'duplicate', detail };
      return { ...again(now, delayMs), fault: 'duplicate', detail };
    }
    case 'received-not-applied':
      return notApplied(facts, timing, now, delayMs);
    case 'differs':
      return {
        kind: 'park',
        fault: 'differs',
        isAccepted: facts.state === 'accepted',
        detail: answer.detail,
      };
    case 'unavailable': {
      const slowMs = facts.asks >= timing.attemptsMax ? SLOW_ASK_MS : 0;
      const step = again(now, Math.max(delayMs, slowMs));
      return { ...step, absentAsks: 0, detail: answer.detail };
    }
    case 'absent':
      return absent(facts, timing, now, delayMs);
  }
}

function absent(
  facts: AskFacts,
  timing: DestinationTiming,
  now: Instant,
  delayMs: number,
): AskStep {
  const countsFrom = addMs(facts.sentAt, timing.deadlineMs + timing.settleMs);
  if (now < countsFrom) {
    const at = Math.max(countsFrom, addMs(now, 1)) as Instant;
    return { kind: 'wait', at, absentAsks: 0, fault: null, detail: null };
  }
  const absentAsks = facts.absentAsks + 1;
  if (absentAsks < timing.absentAsks) {
    const at = addMs(now, Math.max(timing.settleMs, delayMs));
    return { kind: 'wait', at, absentAsks, fault: null, detail: null };
  }
  const detail = `absent ${absentAsks} times in a row after the settling time`;
  if (facts.state === 'accepted') {
    return { kind: 'wait', at: addMs(now, SLOW_ASK_MS), absentAsks, fault: 'absent', detail };
  }
  if (!facts.maySend) return { kind: 'retire', detail };
  if (facts.attempts >= timing.attemptsMax) {
    return { kind: 'park', fault: 'absent', isAccepted: false, detail };
  }
  return { kind: 'resend', at: now, detail };
}

function notApplied(
  facts: AskFacts,
  timing: DestinationTiming,
  now: Instant,
  delayMs: number,
): AskStep {
  const shouldBeAppliedAt = addMs(
    facts.sentAt,
    timing.deadlineMs + timing.processingMs + timing.settleMs,
  );
  if (now < shouldBeAppliedAt) return again(now, delayMs);
  const detail = 'received, but not applied within the declared processing time';
  const slowMs = facts.asks >= timing.attemptsMax ? SLOW_ASK_MS : timing.retryMaxMs;
  return { ...again(now, slowMs), fault: 'not-effective', detail };
}

function again(now: Instant, delayMs: number): Extract<AskStep, { kind: 'wait' }> {
  return { kind: 'wait', at: addMs(now, delayMs), absentAsks: 0, fault: null, detail: null };
}
