/** A claimed delivery: claimed again it carries another fence. */
export interface Claimed {
  readonly id: string;
  readonly fence: number;
}

/**
 * What this process has claimed and not ended. A delivery that stands as claimed by this process and is not
 * here is an orphan: a write failed, and nobody would end it.
 */
export class BusyClaims {
  readonly #claimed = new Set<string>();
  readonly #claiming = new Set<Promise<unknown>>();

  /**
   * Runs a claim and holds what it took. A claim counts as busy from before its commit, since other
   * connections see it before its own answer has come.
   */
  async take<T extends Claimed>(claim: () => Promise<readonly T[]>): Promise<readonly T[]> {
    const claiming = claim().then((taken) => {
      for (const each of taken) this.#claimed.add(nameOf(each));
      return taken;
    });
    this.#claiming.add(claiming);
    try {
      return await claiming;
    } finally {
      this.#claiming.delete(claiming);
    }
  }

  end(claimed: Claimed): void {
    this.#claimed.delete(nameOf(claimed));
  }

  /** Which of these deliveries, as they were just read, nobody here works on. */
  async orphans<T extends Claimed>(rows: readonly T[]): Promise<readonly T[]> {
    await Promise.allSettled([...this.#claiming]);
    return rows.filter((row) => !this.#claimed.has(nameOf(row)));
  }
}

function nameOf({ id, fence }: Claimed): string {
  return `${id} ${fence}`;
}
