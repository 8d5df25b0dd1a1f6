import { addMs, type Instant, instantFromMillis } from '../formats/instant.js';

/** An abstract class rather than an interface only so that it can be asked for by type in Nest. */
export abstract class Clock {
  /** How far apart two processes may read it; 0 when left out: one process has it to itself. */
  readonly marginMs?: number;
  abstract now(): Instant;
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
