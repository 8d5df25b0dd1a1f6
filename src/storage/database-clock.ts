import { addMs, type Instant, msBetween } from '../formats/instant.js';
import type { Clock } from './clock.js';

/** Readings of which the quickest counts: the database was asked somewhere inside its round trip. */
const READINGS = 3;
/** What drift and slow answers explain; beyond it somebody set a clock. */
const DRIFT_MS_MAX = 1_000;
/** Offset of this computer's clock from the database's that is worth a person. */
export const OFFSET_MS_MAX = 5_000;

interface Reading {
  readonly instant: Instant;
  /** Monotonic milliseconds of this process at which the database showed it. */
  readonly at: number;
  readonly tookMs: number;
}

export interface DatabaseClockOptions {
  readonly read: () => Promise<Instant>;
  readonly monotonicMillis?: () => number;
  /** The database's clock jumped while we followed it; `ms` is how far, negative when back. */
  readonly onStep: (ms: number) => void;
}

/**
 * The clock of the database, which every process that works on it follows: read once, advanced by this
 * process's monotonic counter, and set by each `follow`. It never runs back by what drift explains; a step
 * of the database's own clock is followed in either direction, since every other process follows it too.
 */
export class DatabaseClock implements Clock {
  readonly #monotonic: () => number;
  #anchor = 0 as Instant;
  #at = 0;
  #latest = 0 as Instant;

  private constructor(private readonly options: DatabaseClockOptions) {
    this.#monotonic = options.monotonicMillis ?? (() => performance.now());
  }

  static async open(options: DatabaseClockOptions): Promise<DatabaseClock> {
    const clock = new DatabaseClock(options);
    const { instant, at } = await clock.#reading();
    clock.#set(instant, at);
    return clock;
  }

  now(): Instant {
    const now = this.#advanced(this.#monotonic());
    if (now > this.#latest) this.#latest = now;
    return this.#latest;
  }

  /** Reads the database's clock again; an answer that took too long to tell is left out. */
  async follow(): Promise<void> {
    const { instant, at, tookMs } = await this.#reading();
    if (tookMs > DRIFT_MS_MAX) return;
    const stepMs = msBetween(this.#advanced(at), instant);
    this.#set(instant, at);
    if (Math.abs(stepMs) <= DRIFT_MS_MAX) return;
    this.#latest = instant;
    this.options.onStep(stepMs);
  }

  #set(instant: Instant, at: number): void {
    this.#anchor = instant;
    this.#at = at;
  }

  #advanced(at: number): Instant {
    return addMs(this.#anchor, at - this.#at);
  }

  async #reading(): Promise<Reading> {
    let best: Reading = { instant: 0 as Instant, at: 0, tookMs: Number.POSITIVE_INFINITY };
    for (let n = 0; n < READINGS; n += 1) {
      const before = this.#monotonic();
      const instant = await this.options.read();
      const tookMs = this.#monotonic() - before;
      if (tookMs < best.tookMs) best = { instant, at: before + tookMs / 2, tookMs };
    }
    return best;
  }
}
