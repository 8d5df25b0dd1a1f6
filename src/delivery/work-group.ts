export type WorkKind = 'build' | 'send' | 'ask';

/**
 * Work that runs side by side. `next` waits until one of it has ended, so that the caller can start more in
 * the place that became free; a failure is thrown by `end`, after everything else has ended too.
 */
export class WorkGroup {
  readonly #running = new Set<Promise<void>>();
  readonly #failures: unknown[] = [];
  readonly #counts: Record<WorkKind, number> = { build: 0, send: 0, ask: 0 };
  #hasEnded = false;

  get size(): number {
    return this.#running.size;
  }

  /**
   * Forgets what ended before. What ends while the caller looks may have left something that it looked for too
   * early: then `hasEndedSinceLook` says so, and it looks once more instead of waiting for the next end.
   */
  look(): void {
    this.#hasEnded = false;
  }

  get hasEndedSinceLook(): boolean {
    return this.#hasEnded;
  }

  get hasFailed(): boolean {
    return this.#failures.length > 0;
  }

  running(kind: WorkKind): number {
    return this.#counts[kind];
  }

  add(kind: WorkKind, work: Promise<void>): void {
    this.#counts[kind] += 1;
    const tracked: Promise<void> = work
      .catch((error: unknown) => {
        this.#failures.push(error);
      })
      .finally(() => {
        this.#hasEnded = true;
        this.#counts[kind] -= 1;
        this.#running.delete(tracked);
      });
    this.#running.add(tracked);
  }

  async next(): Promise<void> {
    await Promise.race(this.#running);
  }

  async end(): Promise<void> {
    await Promise.all(this.#running);
    this.throwFailure();
  }

  /** Throws the first failure there was so far. */
  throwFailure(): void {
    if (this.#failures.length > 0) throw this.#failures[0];
  }
}

/** What several that ran side by side counted. Throws the first failure, when all of them have ended. */
export function countedInAll(ends: readonly PromiseSettledResult<number>[]): number {
  for (const end of ends) if (end.status === 'rejected') throw end.reason;
  return ends.reduce((sum, end) => sum + (end.status === 'fulfilled' ? end.value : 0), 0);
}
