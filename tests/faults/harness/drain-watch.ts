import { SILENT_MS_MAX } from '../../../src/pipeline/worker.service.js';

/** How long nothing may come to light once all is well and nothing is under way. */
const STILL_MS = 1500;
/**
 * The same while something is under way: a worker that died is declared dead, what it held is found by a sweep and has been
 * sent again or asked about. What is under way even then waits for a person.
 */
const HELD_MS = SILENT_MS_MAX + 5_000;
/** Nor longer than this once all is well, should what is under way never stand still. */
const WELL_MS_MAX = 30_000;
/** Nothing is wrong before the books have stood still for so long. */
const STUCK_MS = 60_000;

export interface DrainLook {
  /** Nothing is wrong by the books. */
  readonly isClean: boolean;
  /** What the destinations have taken in and applied so far. */
  readonly effects: number;
  /** See `countUnderWay`. */
  readonly underWay: number;
}

/** Says when a world that nobody hurts any more has come to rest: well, or for good. */
export class DrainWatch {
  #seen = '';
  #movedAt = Number.NEGATIVE_INFINITY;
  #cleanSince: number | null = null;

  /** @param nowMs by a counter that only goes forward */
  see({ isClean, effects, underWay }: DrainLook, nowMs: number): 'goes-on' | 'drained' | 'stuck' {
    const seen = `${effects} ${underWay}`;
    if (seen !== this.#seen) {
      this.#seen = seen;
      this.#movedAt = nowMs;
    }
    if (!isClean) {
      this.#cleanSince = null;
      return nowMs - this.#movedAt > STUCK_MS ? 'stuck' : 'goes-on';
    }
    this.#cleanSince ??= nowMs;
    const stillMs = nowMs - Math.max(this.#cleanSince, this.#movedAt);
    const isStill = stillMs > (underWay === 0 ? STILL_MS : HELD_MS);
    return isStill || nowMs - this.#cleanSince > WELL_MS_MAX ? 'drained' : 'goes-on';
  }
}
