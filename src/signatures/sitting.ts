import { type Instant, msBetween } from '../formats/instant.js';
import type { Components } from './signature.js';

/**
 * A continuous period of controlled access in one session (21 CFR 11.200(a)(1)(i)): its first signature takes
 * all components, later ones the password, which only the signer can use. It ends with its session, when
 * nothing was signed for a while, and at a refused try.
 */
export interface Sitting {
  readonly id: string;
  readonly accountId: string;
  readonly lastAt: Instant;
  readonly signed: number;
  readonly endedAt: Instant | null;
}

/** Minutes without a signature after which a sitting is over. */
export const SITTING_IDLE_MINUTES = 10;

/**
 * What the next signature of this account takes. A clock that reads earlier than the last signature ends the
 * sitting as well: nobody can say how long ago that was.
 */
export function componentsNeeded(
  sitting: Sitting | null,
  accountId: string | null,
  now: Instant,
): Components {
  return sitting !== null && isContinuous(sitting, accountId, now)
    ? 'password'
    : 'user-name-and-password';
}

function isContinuous(sitting: Sitting, accountId: string | null, now: Instant): boolean {
  if (sitting.endedAt !== null || sitting.accountId !== accountId || sitting.signed === 0)
    return false;
  const idleMs = msBetween(sitting.lastAt, now);
  return idleMs >= 0 && idleMs <= SITTING_IDLE_MINUTES * 60_000;
}
