import { msBetween } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { Bell, BellHandler, Ringing, WorkQueue } from './work-queue.js';

/** Nothing due is found later than this, whatever bell was missed. */
const SWEEP_EVERY_MS = 2_000;
const RETRY_AFTER_ERROR_MS = 500;

interface Answering {
  readonly handler: BellHandler;
  running: Promise<void> | null;
  rung: boolean;
  /** Who waits inside the running handler for the next ring. */
  waiting: Deferred | null;
  timer: NodeJS.Timeout | null;
}

interface Deferred {
  readonly promise: Promise<void>;
  readonly resolve: () => void;
}

/**
 * The embedded pair's queue: one process owns the database, so a bell is a function call. A handler that
 * throws is reported and tried again, since what it works on still stands in the database.
 */
export class InProcessQueue implements WorkQueue {
  readonly #bells = new Map<Bell, Answering>();
  readonly #sweep: NodeJS.Timeout;
  #draining = false;

  constructor(
    private readonly clock: Clock,
    private readonly onError: (bell: Bell, error: unknown) => void,
  ) {
    this.#sweep = setInterval(() => this.#ringAll(), SWEEP_EVERY_MS);
  }

  ring(bell: Bell): void {
    const answering = this.#bells.get(bell);
    if (!answering || this.#draining) return;
    answering.rung = true;
    answering.waiting?.resolve();
    answering.waiting = null;
    if (!answering.running) answering.running = this.#run(bell, answering);
  }

  answer(bell: Bell, handler: BellHandler): void {
    if (this.#bells.has(bell)) throw new Error(`bell ${bell} already has a handler`);
    this.#bells.set(bell, { handler, running: null, rung: false, waiting: null, timer: null });
    this.ring(bell);
  }

  async drain(): Promise<void> {
    this.#draining = true;
    clearInterval(this.#sweep);
    for (const answering of this.#bells.values()) {
      if (answering.timer) clearTimeout(answering.timer);
      await answering.running;
    }
  }

  #ringAll(): void {
    for (const bell of this.#bells.keys()) this.ring(bell);
  }

  async #run(bell: Bell, answering: Answering): Promise<void> {
    // The first handler call happens on a later turn, so that `ring` returns at once.
    await Promise.resolve();
    while (answering.rung && !this.#draining) {
      answering.rung = false;
      if (answering.timer) clearTimeout(answering.timer);
      answering.timer = null;
      try {
        const { nextDueAt } = await answering.handler(ringingOf(answering));
        if (nextDueAt !== null) {
          this.#ringIn(bell, answering, msBetween(this.clock.now(), nextDueAt));
        }
      } catch (error) {
        this.onError(bell, error);
        this.#ringIn(bell, answering, RETRY_AFTER_ERROR_MS);
      }
    }
    answering.running = null;
  }

  #ringIn(bell: Bell, answering: Answering, waitMs: number): void {
    if (this.#draining || waitMs > SWEEP_EVERY_MS) return;
    answering.timer = setTimeout(() => this.ring(bell), Math.max(1, waitMs));
  }
}

function ringingOf(answering: Answering): Ringing {
  return {
    next: () => {
      answering.waiting ??= deferred();
      return answering.waiting.promise;
    },
  };
}

function deferred(): Deferred {
  let resolve: () => void = () => undefined;
  const promise = new Promise<void>((done) => {
    resolve = done;
  });
  return { promise, resolve };
}
