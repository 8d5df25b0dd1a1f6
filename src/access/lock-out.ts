import { addMs, type Instant, msBetween } from '../formats/instant.js';

/** Tries under one name, or from one address, that failed one after the other. */
export interface Tries {
  readonly failures: number;
  readonly lastAt: Instant;
  readonly blockedUntil: Instant | null;
}

export interface LockOutRule {
  /** Failures after which tries are refused unread for a while. */
  readonly failuresFree: number;
  readonly firstBlockMs: number;
  readonly blockMsMax: number;
  /** Failures this old are forgotten. */
  readonly forgottenAfterMs: number;
}

/**
 * Five tries, then a minute, doubled with every further failure up to an hour. A name is never shut for good:
 * that would let anybody shut anybody out. Common practice; the figures are ours. NIST SP 800-63B asks for a
 * limit of 100 failures in a row or fewer (from memory): at this pace that takes four days of trying.
 */
export const NAME_RULE: LockOutRule = {
  failuresFree: 5,
  firstBlockMs: 60_000,
  blockMsMax: 3_600_000,
  forgottenAfterMs: 24 * 3_600_000,
};

/** One address may speak for a whole shift at one dock computer, so it is given more. */
export const SOURCE_RULE: LockOutRule = { ...NAME_RULE, failuresFree: 30 };

export const NO_TRIES: Tries = { failures: 0, lastAt: 0 as Instant, blockedUntil: null };

/**
 * Until when tries are refused; null when one may be made. A block whose end lies further away than a block can
 * was written by a clock that has been set back since: it is over, and the next failure blocks anew.
 */
export function blockedUntil(tries: Tries, rule: LockOutRule, now: Instant): Instant | null {
  const { blockedUntil: until } = tries;
  if (until === null || until <= now) return null;
  return msBetween(now, until) > rule.blockMsMax ? null : until;
}

/** Counts a try as failed, before its password is looked at: many at once get no more tries than one by one. */
export function countTry(tries: Tries, rule: LockOutRule, now: Instant): Tries {
  const isForgotten = msBetween(tries.lastAt, now) >= rule.forgottenAfterMs;
  const failures = (isForgotten ? 0 : tries.failures) + 1;
  const beyond = failures - rule.failuresFree;
  if (beyond < 0) return { failures, lastAt: now, blockedUntil: null };
  const blockMs = Math.min(rule.firstBlockMs * 2 ** Math.min(beyond, 30), rule.blockMsMax);
  return { failures, lastAt: now, blockedUntil: addMs(now, blockMs) };
}

/** Takes a counted try back, after its password was the right one. */
export function uncountTry(tries: Tries, rule: LockOutRule): Tries {
  const failures = Math.max(0, tries.failures - 1);
  return {
    ...tries,
    failures,
    blockedUntil: failures < rule.failuresFree ? null : tries.blockedUntil,
  };
}
