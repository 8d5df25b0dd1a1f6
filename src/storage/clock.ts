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

/** The machine's counter is read again after this, whatever the wall clock says. */
const READ_AGAIN_MS = 1_000;
/** What the wall clock may be ahead or behind of the process's counter since that reading without it being read again. */
const WALL_APART_MS = 100;

/**
 * Milliseconds that have passed, also while the machine slept: for what must not be believed too long. What the machine's
 * counter shows besides counts whoever else denies it, since believing too little does no harm.
 *
 * This is asked several times for each message, and the machine's counter is a file that is opened and read each time. A
 * sleep moves the wall clock too: while that goes as the process's counter does, there was none to read about.
 */
export function elapsedMillis(
  monotonicMillis: () => number = () => performance.now(),
  upMillis: () => number = () => uptime() * 1_000,
  wallMillis: () => number = Date.now,
): () => number {
  let [at, up, wall] = [monotonicMillis(), upMillis(), wallMillis()];
  let sleptMs = 0;
  const start = at;
  return () => {
    const now = monotonicMillis();
    const passedMs = now - at;
    const apartMs = Math.abs(wallMillis() - wall - passedMs);
    if (passedMs >= READ_AGAIN_MS || apartMs > WALL_APART_MS) {
      const upBefore = up;
      [at, up, wall] = [now, upMillis(), wallMillis()];
      const missedMs = up - upBefore - passedMs;
      if (missedMs > APART_MS) sleptMs += missedMs;
    }
    return now - start + sleptMs;
  };
}
