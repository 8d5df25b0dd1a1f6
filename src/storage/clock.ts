import { addMs, type Instant, instantFromMillis } from '../formats/instant.js';

export interface Clock {
  now(): Instant;
}

/**
 * Wall clock read once and advanced by the monotonic counter, so that a step of the system clock
 * (daylight saving is none, but an operator or a time service may) never moves a lease or a due time.
 */
export function anchoredClock(
  wallMillis: () => number = Date.now,
  monotonicMillis: () => number = () => performance.now(),
): Clock {
  const anchor = instantFromMillis(wallMillis());
  const start = monotonicMillis();
  return { now: () => addMs(anchor, monotonicMillis() - start) };
}
