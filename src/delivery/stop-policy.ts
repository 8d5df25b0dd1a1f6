import { addMs, type Instant } from '../formats/instant.js';
import type { DestinationTiming } from '../site/site-folder.js';
import type { DeliveryFault } from '../storage/tables.js';
import type { AttemptOutcome } from './attempt-outcome.js';
import { backoffMs } from './backoff.js';
import { type AttemptFacts, nextStep, type Step } from './next-step.js';
import type { ReadBackAnswer } from './read-back-answer.js';
import { type AskFacts, type AskStep, judgeReadBack } from './read-back-judgement.js';

/** A stop is tried again, and asked about again, no later than this (design §8). */
export const STOP_RETRY_MAX_MS = 30_000;

/** So often a stop that is asked about in vain is sent again at once, before it backs off. */
const RESENDS_AT_ONCE = 2;

/** How long a stop waits at most until it is tried again at a destination. */
export function stopRetryMaxMs({ retryMaxMs }: DestinationTiming): number {
  return Math.min(retryMaxMs, STOP_RETRY_MAX_MS);
}

/** `pause_reason` of a destination after its database was restored: the one pause that stops obey (rule 28). */
export const RESTORE_PAUSE = 'restore';

/** Stops pass pause, open breaker, rate, concurrency and order; only the pause after a restore holds them. */
export function stopsMayLeave(
  destination: { readonly paused: 0 | 1; readonly pause_reason: string | null } | null,
): boolean {
  return destination?.paused !== 1 || destination.pause_reason !== RESTORE_PAUSE;
}

/**
 * When a stop's read-back counts: past the deadline of the last attempt that could still bring a *conforms*
 * there, and past the longest time the destination takes to apply what it stored. Asked earlier, the
 * answer would be overtaken by the *conforms* that is still on its way.
 *
 * @param conformsSentAt start of the last attempt of a *conforms* of this receipt, null when none was made
 */
export function stopReadBackAt(
  conformsSentAt: Instant | null,
  timing: DestinationTiming,
  now: Instant,
): Instant {
  const inFlightUntil = conformsSentAt === null ? now : addMs(conformsSentAt, timing.deadlineMs);
  return addMs(Math.max(now, inFlightUntil) as Instant, timing.processingMs);
}

/**
 * As `nextStep`, but a stop is never parked, rejected or exhausted: it is tried again within 30 s with the
 * fault named, so that a person is called while it keeps trying (rule 22). Sending it twice does no harm,
 * since receivers ignore lower revisions and an equal one changes nothing.
 */
export function nextStopStep(
  facts: AttemptFacts,
  outcome: AttemptOutcome,
  timing: DestinationTiming,
  now: Instant,
  jitter: number,
): Step {
  const policy = { ...timing, attemptsMax: Number.MAX_SAFE_INTEGER };
  const step = nextStep({ ...facts, maySend: true }, outcome, policy, now, jitter);
  const latest = addMs(now, STOP_RETRY_MAX_MS);
  switch (step.kind) {
    case 'accept':
      return step;
    case 'retry':
    case 'resend':
      return { ...step, at: earlier(step.at, latest) };
    case 'ask':
      return { ...step, at: earlier(step.at, latest) };
    case 'reject':
      return { kind: 'retry', at: soon(facts, timing, now, jitter), fault: 'rejected' };
    case 'park':
      return { kind: 'retry', at: soon(facts, timing, now, jitter), fault: stopFault(step.fault) };
    case 'retire':
      return { kind: 'retry', at: soon(facts, timing, now, jitter), fault: null };
  }
}

/**
 * Judges a stop's read-back. Before `countsFrom` (`stopReadBackAt`) an equal answer does not make it
 * effective yet. What is held but is not the stop is *not effective*, and so is a stop that was accepted and
 * is known absent: a new statement revision has to re-assert it, because the used key would only bring the old
 * answer again. One that was never accepted and does not show is sent again without a settling time: it repeats until it
 * shows (rule 21), since one too many changes nothing and one too few releases. At once at first; then it backs off, or a
 * destination that fails at once would get hundreds a second of what it could not take.
 */
export function judgeStopReadBack(
  facts: AskFacts,
  answer: ReadBackAnswer,
  countsFrom: Instant,
  timing: DestinationTiming,
  now: Instant,
  jitter: number,
): AskStep {
  const policy = {
    ...timing,
    attemptsMax: Number.MAX_SAFE_INTEGER,
    retryMaxMs: stopRetryMaxMs(timing),
  };
  if (facts.state === 'uncertain' && (answer.kind === 'absent' || answer.kind === 'unavailable')) {
    const detail = answer.kind === 'absent' ? 'it does not show yet' : answer.detail;
    const at = repeatsAt(facts.asks, timing, now, jitter);
    return { kind: 'resend', at, detail: `a stop repeats until it shows: ${detail}` };
  }
  // Judged as doubtful, so that an absence is counted quickly: a stop that got lost must not wait for a person.
  const doubted: AskFacts = { ...facts, state: 'uncertain', maySend: true };
  const step = judgeReadBack(doubted, answer, policy, now, jitter);
  switch (step.kind) {
    case 'confirm':
      return now < countsFrom
        ? { kind: 'wait', at: countsFrom, absentAsks: 0, fault: null, detail: null }
        : step;
    case 'park':
      return notEffective(step.detail, timing, now);
    case 'wait':
      return { ...step, at: earlier(step.at, addMs(now, STOP_RETRY_MAX_MS)) };
    case 'resend':
    case 'retire':
      return notEffective(`accepted, and then ${step.detail}`, timing, now);
  }
}

/** By its questions and not by its sends: hours of refusals, which leave no doubt, must not delay the first doubt behind them. */
function repeatsAt(asks: number, timing: DestinationTiming, now: Instant, jitter: number): Instant {
  const tries = asks - RESENDS_AT_ONCE;
  if (tries <= 0) return now;
  return addMs(now, backoffMs(timing.retryBaseMs, stopRetryMaxMs(timing), tries, jitter));
}

/** Asked about again all the same: it may still show, and until then its revision is re-asserted. */
function notEffective(detail: string, timing: DestinationTiming, now: Instant): AskStep {
  const at = addMs(now, stopRetryMaxMs(timing));
  return { kind: 'wait', at, absentAsks: 0, fault: 'not-effective', detail };
}

function stopFault(fault: DeliveryFault): DeliveryFault | null {
  return fault === 'cannot-ask' || fault === 'exhausted' ? null : fault;
}

function soon(
  facts: AttemptFacts,
  timing: DestinationTiming,
  now: Instant,
  jitter: number,
): Instant {
  const maxMs = stopRetryMaxMs(timing);
  return addMs(now, backoffMs(timing.retryBaseMs, maxMs, facts.attempts, jitter));
}

function earlier(a: Instant, b: Instant): Instant {
  return a < b ? a : b;
}
