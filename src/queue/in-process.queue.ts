import type { Clock } from '../storage/clock.js';
import { LocalBells, SWEEP_EVERY_MS } from './local-bells.js';
import type { Bell, BellHandler, WorkQueue } from './work-queue.js';

/** The embedded pair's queue: one process owns the database, so a bell is a function call. */
export class InProcessQueue implements WorkQueue {
  readonly #bells: LocalBells;
  readonly #sweep: NodeJS.Timeout;

  constructor(clock: Clock, onError: (bell: Bell, error: unknown) => void) {
    this.#bells = new LocalBells(clock, onError);
    this.#sweep = setInterval(() => this.#bells.ringAll(), SWEEP_EVERY_MS);
  }

  ring(bell: Bell): void {
    this.#bells.ring(bell);
  }

  ringHere(bell: Bell): void {
    this.ring(bell);
  }

  answer(bell: Bell, handler: BellHandler): void {
    this.#bells.answer(bell, handler);
    this.#bells.ring(bell);
  }

  async drain(): Promise<void> {
    clearInterval(this.#sweep);
    await this.#bells.drain();
  }
}
