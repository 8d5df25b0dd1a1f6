import { uptime } from 'node:os';
import { addMs, type Instant, instantFromMillis } from '../formats/instant.js';

/** An abstract class rather than an interface only so that it can be asked for by type in Nest. */
export abstract class Clock {
  abstract now(): Instant;
}

/** How often it is looked whether the machine slept. */
const LOOK_EVERY_MS = 1_000;
/** What the counters of a process and of its machine may differ by without a sleep. */
const APART_MS = 1_000;

/**
 * Wall clock read once and advanced by the monotonic counter, so that a step of the system clock
 * (daylight saving is none, but an operator or a time service may) never moves a lease or a due time.
 *
 * That counter stands still while the machine sleeps, and a date that was reached meanwhile would not be reached for as
 * long. So what the machine's own counter and the wall clock both say has passed besides counts too; either alone may
 * have been set.
 */
export function anchoredClock(
  wallMillis: () => number = Date.now,
  monotonicMillis: () => number = () => performance.now(),
  upMillis: () => number = () => uptime() * 1_000,
): Clock {
  const [wall, start, up] = [wallMillis(), monotonicMillis(), upMillis()];
  const anchor = instantFromMillis(wall);
  let sleptMs = 0;
  let lookedAt = start;
  const look = (at: number) => {
    lookedAt = at;
    const passedMs = Math.min(wallMillis() - wall, upMillis() - up);
    const missedMs = passedMs - (at - start);
    if (missedMs - sleptMs > APART_MS) sleptMs = missedMs;
  };
  return {
    now: () => {
      const at = monotonicMillis();
      if (at - lookedAt >= LOOK_EVERY_MS) look(at);
      return addMs(anchor, at - start + sleptMs);
    },
  };
}

/**
 * Milliseconds that have passed, also while the machine slept: for what must not be believed too long. What the machine's
 * counter shows besides counts whoever else denies it, since believing too little does no harm.
 */
export function elapsedMillis(
  monotonicMillis: () => number = () => performance.now(),
  upMillis: () => number = () => uptime() * 1_000,
): () => number {
  let [at, up] = [monotonicMillis(), upMillis()];
  let elapsed = 0;
  return () => {
    const [atBefore, upBefore] = [at, up];
    [at, up] = [monotonicMillis(), upMillis()];
    const sleptMs = up - upBefore - (at - atBefore);
    elapsed += at - atBefore + (sleptMs > APART_MS ? sleptMs : 0);
    return elapsed;
  };
}
