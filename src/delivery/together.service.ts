import { setImmediate as nextTurn } from 'node:timers/promises';
import { isUnavailable } from '../storage/transaction-retry.js';

interface Waiting<Item> {
  readonly item: Item;
  readonly resolve: () => void;
  readonly reject: (error: unknown) => void;
}

export interface TogetherOptions<Item> {
  /** Writes all of them in one commit, or none. May be asked again for some of them alone. */
  readonly write: (items: readonly Item[]) => Promise<void>;
  /** In one commit: enough to share a flush, few enough that one that waits for a lock holds few. */
  readonly itemsMax: number;
  /** At once: while one waits for a lock, others are still written. */
  readonly commitsMax: number;
}

/** Writes that come while others are written share the next commit. */
export class Together<Item> {
  readonly #options: TogetherOptions<Item>;
  readonly #waiting: Waiting<Item>[] = [];
  #commits = 0;

  constructor(options: TogetherOptions<Item>) {
    this.#options = options;
  }

  /** Resolves when it is committed; rejects when it was not, whatever became of the others. */
  add(item: Item): Promise<void> {
    return new Promise((resolve, reject) => {
      this.#waiting.push({ item, resolve, reject });
      if (this.#commits < this.#options.commitsMax) void this.#writeAll();
    });
  }

  async #writeAll(): Promise<void> {
    this.#commits += 1;
    // What was asked for in the same turn goes together.
    await nextTurn();
    while (this.#waiting.length > 0) {
      await this.#write(this.#waiting.splice(0, this.#options.itemsMax));
    }
    this.#commits -= 1;
  }

  /** One that cannot be written must not undo the others: then each is written alone. */
  async #write(together: readonly Waiting<Item>[]): Promise<void> {
    try {
      await this.#options.write(together.map(({ item }) => item));
      for (const { resolve } of together) resolve();
    } catch (error) {
      if (together.length === 1 || isUnavailable(error)) {
        for (const { reject } of together) reject(error);
        return;
      }
      await Promise.all(together.map((each) => this.#write([each])));
    }
  }
}
