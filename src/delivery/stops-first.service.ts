/** Nothing is held up longer than this by one stop: one that meets a destination which does not answer takes its time. */
const HOLD_MS_MAX = 250;

/**
 * Lets what a process could begin next wait while a stop is on its way in it. A stop has connections of its own and
 * asks for no place, but under load its few steps still take their turns with hundreds of others on the same
 * processor, the same server and the same rows.
 */
export class StopsFirst {
  /** Monotonic milliseconds until which each counts. */
  readonly #onTheirWay = new Set<{ readonly untilMs: number }>();
  readonly #waiting = new Set<() => void>();

  /** Counts `work` as a stop on its way, from now to its end. */
  async run<T>(work: () => Promise<T>): Promise<T> {
    const one = { untilMs: performance.now() + HOLD_MS_MAX };
    this.#onTheirWay.add(one);
    try {
      return await work();
    } finally {
      // What follows it on its way may count itself before anything else begins.
      setImmediate(() => {
        this.#onTheirWay.delete(one);
        if (this.#restMs() <= 0) this.#release();
      });
    }
  }

  /** Resolves when no stop is on its way, or when those that are have had their time. */
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
    const latest = Math.max(0, ...[...this.#onTheirWay].map(({ untilMs }) => untilMs));
    return latest - performance.now();
  }

  #release(): void {
    for (const end of this.#waiting) end();
  }
}
