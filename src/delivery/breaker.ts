import { addMs, type Instant } from '../formats/instant.js';
import type { AttemptOutcome } from './attempt-outcome.js';

/** Failures in a row after which a destination is left alone for a while. */
export const BREAKER_FAILURES = 5;

export interface BreakerState {
  readonly breaker: 'closed' | 'open';
  readonly failures: number;
  /** While open: when one probe may go. */
  readonly until: Instant | null;
}

export const CLOSED: BreakerState = { breaker: 'closed', failures: 0, until: null };

/** closed: everything may go; open: nothing; half-open: one probe. */
export function breakerAt(state: BreakerState, now: Instant): 'closed' | 'open' | 'half-open' {
  if (state.breaker === 'closed') return 'closed';
  return state.until !== null && now < state.until ? 'open' : 'half-open';
}

/**
 * Counts an outcome. Any answer that the destination gave on purpose closes the breaker, a refusal too;
 * only what says that it cannot be reached or does not work counts against it. What fails while it is open
 * (a stop that passed it, a send that was under way) does not move the time of the next probe: one stop that
 * keeps failing would otherwise keep everything else away for good.
 */
export function breakerAfter(
  state: BreakerState,
  outcome: AttemptOutcome['kind'],
  openForMs: number,
  now: Instant,
): BreakerState {
  if (outcome === 'withheld' || outcome === 'postponed') return state;
  if (outcome !== 'unavailable' && outcome !== 'uncertain') return CLOSED;
  const failures = state.failures + 1;
  if (failures < BREAKER_FAILURES) return { breaker: 'closed', failures, until: null };
  if (breakerAt(state, now) === 'open') return { ...state, failures };
  return { breaker: 'open', failures, until: addMs(now, openForMs) };
}
