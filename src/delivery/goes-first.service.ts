/** Nothing is held up longer than this by one stop: one that meets a destination which does not answer takes its time. */
export const STOP_FIRST_MS = 250;
/** Nor longer than this by one bundle that may have ended a process. */
export const SUSPECT_FIRST_MS = 5_000;

/**
 * Lets what a process could begin next wait while something goes first in it.
 *
 * A stop has connections of its own and asks for no place, but under load its few steps still take their turns with
 * hundreds of others on the same processor, the same server and the same rows. A bundle that may have ended a process
 * is examined with nothing beside it: a process that ends meanwhile counts against it, and three times convict it.
 */
export class GoesFirst {
  /** Monotonic milliseconds until which each counts. */
  readonly #first = new Set<{ readonly untilMs: number }>();
  readonly #waiting = new Set<() => void>();

  /** @param holdMsMax that one piece of work holds up others at most */
  constructor(private readonly holdMsMax: number) {}

  /** Lets `work` go first, from now to its end. */
  async run<T>(work: () => Promise<T>): Promise<T> {
    const one = { untilMs: performance.now() + this.holdMsMax };
    this.#first.add(one);
    try {
      return await work();
    } finally {
      // What follows on it may go first too, before anything else begins.
      setImmediate(() => {
        this.#first.delete(one);
        if (this.#restMs() <= 0) this.#release();
      });
    }
  }

  /** Resolves when nothing goes first, or when what does has had its time. */
  async whenNone(): Promise<void> {
    const restMs = this.#restMs();
    if (restMs <= 0) return;
    await new Promise<void>((resolve) => {
      const end = () => {
        clearTimeout(timer);
        this.#waiting.delete(end);
        resolve();
      };
      const timer = setTimeout(end, restMs);
      this.#waiting.add(end);
    });
  }

  #restMs(): number {
    const latest = Math.max(0, ...[...this.#first].map(({ untilMs }) => untilMs));
    return latest - performance.now();
  }

  #release(): void {
    for (const end of this.#waiting) end();
  }
}
