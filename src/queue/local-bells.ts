import { type Instant, msBetween } from '../formats/instant.js';
import type { Clock } from '../storage/clock.js';
import type { Bell, BellHandler, Ringing } from './work-queue.js';

/** Nothing due is found later than this, whatever bell was missed. */
export const SWEEP_EVERY_MS = 2_000;
const RETRY_AFTER_ERROR_MS = 500;

interface Answering {
  readonly handler: BellHandler;
  running: Promise<void> | null;
  /** Rung since the handler was last started: it is started once more. */
  rung: boolean;
  /** Rung since the handler last asked for the next ring: when it asks again, this was it. */
  unheard: boolean;
  /** Who waits inside the running handler for the next ring. */
  waiting: Deferred | null;
  /** Who waits until the handler could look again. */
  freed: Deferred | null;
  timer: NodeJS.Timeout | null;
}

interface Deferred {
  readonly promise: Promise<void>;
  readonly resolve: () => void;
}

/**
 * The bells that one process answers, whoever rings them. A handler never runs twice at once; one that
 * throws is reported and tried again, since what it works on still stands in the database.
 */
export class LocalBells {
  readonly #bells = new Map<Bell, Answering>();
  #isDraining = false;

  constructor(
    private readonly clock: Clock,
    private readonly onError: (bell: Bell, error: unknown) => void,
  ) {}

  /** Says who answers; the handler has its first look when the bell rings. */
  answer(bell: Bell, handler: BellHandler): void {
    if (this.#bells.has(bell)) throw new Error(`bell ${bell} already has a handler`);
    const idle = { running: null, rung: false, unheard: false, waiting: null, freed: null };
    this.#bells.set(bell, { handler, ...idle, timer: null });
  }

  answers(bell: Bell): boolean {
    return this.#bells.has(bell);
  }

  /** A handler that works is told, and runs again; one that waits for the next ring has it. */
  ring(bell: Bell): void {
    const answering = this.#bells.get(bell);
    if (!answering || this.#isDraining) return;
    answering.rung = true;
    // Also when it waits: something else may have woken it, and it may be looking already.
    answering.unheard = true;
    answering.waiting?.resolve();
    answering.waiting = null;
    answering.running ??= this.#run(bell, answering);
  }

  ringAll(): void {
    for (const bell of this.#bells.keys()) this.ring(bell);
  }

  /** Resolves when a ring would be looked after at once: no handler runs, or it waits for the next ring. */
  whenFree(bell: Bell): Promise<void> {
    const answering = this.#bells.get(bell);
    if (!answering || answering.running === null || answering.waiting) return Promise.resolve();
    answering.freed ??= deferred();
    return answering.freed.promise;
  }

  /** Starts nothing more and waits for what runs; returns the bells that rang and were not looked after. */
  async drain(): Promise<readonly Bell[]> {
    this.#isDraining = true;
    for (const { timer } of this.#bells.values()) if (timer) clearTimeout(timer);
    const unanswered: Bell[] = [];
    for (const [bell, answering] of this.#bells) {
      await answering.running;
      if (answering.rung) unanswered.push(bell);
    }
    return unanswered;
  }

  async #run(bell: Bell, answering: Answering): Promise<void> {
    // The first handler call happens on a later turn, so that `ring` returns at once.
    await Promise.resolve();
    while (answering.rung && !this.#isDraining) {
      answering.rung = false;
      answering.unheard = false;
      if (answering.timer) clearTimeout(answering.timer);
      answering.timer = null;
      try {
        const { nextDueAt } = await answering.handler(ringingOf(answering));
        this.#ringAt(bell, answering, nextDueAt);
      } catch (error) {
        this.onError(bell, error);
        this.#ringIn(bell, answering, RETRY_AFTER_ERROR_MS);
      }
      answering.waiting = null;
    }
    answering.running = null;
    becomeFree(answering);
  }

  #ringAt(bell: Bell, answering: Answering, dueAt: Instant | null): void {
    if (dueAt !== null) this.#ringIn(bell, answering, msBetween(this.clock.now(), dueAt));
  }

  /** What is due later than the next sweep is left to it: the handler then says again when. */
  #ringIn(bell: Bell, answering: Answering, waitMs: number): void {
    if (this.#isDraining || waitMs > SWEEP_EVERY_MS) return;
    // A timer drops the fraction: rung before its time, the bell would find nothing due.
    answering.timer = setTimeout(() => this.ring(bell), Math.max(1, Math.ceil(waitMs)));
  }
}

function ringingOf(answering: Answering): Ringing {
  return {
    next: () => {
      becomeFree(answering);
      if (answering.unheard) {
        answering.unheard = false;
        return Promise.resolve();
      }
      answering.waiting ??= deferred();
      return answering.waiting.promise;
    },
  };
}

function becomeFree(answering: Answering): void {
  answering.freed?.resolve();
  answering.freed = null;
}

function deferred(): Deferred {
  let resolve: () => void = () => undefined;
  const promise = new Promise<void>((done) => {
    resolve = done;
  });
  return { promise, resolve };
}
