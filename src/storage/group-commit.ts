import type { OpenDatabase, Trx } from './database.js';

/** More in one transaction saves nothing and delays the first. */
const GROUP_MAX = 64;

interface Waiting<Item, Answer> {
  readonly item: Item;
  readonly resolve: (answer: Answer) => void;
  readonly reject: (error: unknown) => void;
}

/**
 * Puts what arrives while a transaction is being committed into the next one, so that many requests share
 * one flush to disk. An item is answered only after the commit that holds it. When a group fails, its items
 * are tried one by one, so that a bad one fails alone.
 */
export class GroupCommit<Item, Answer> {
  #waiting: Waiting<Item, Answer>[] = [];
  #committing = false;

  constructor(
    private readonly database: OpenDatabase,
    private readonly write: (trx: Trx, item: Item) => Promise<Answer>,
  ) {}

  submit(item: Item): Promise<Answer> {
    return new Promise((resolve, reject) => {
      this.#waiting.push({ item, resolve, reject });
      if (!this.#committing) void this.#commitAll();
    });
  }

  async #commitAll(): Promise<void> {
    this.#committing = true;
    while (this.#waiting.length > 0) {
      const group = this.#waiting.splice(0, GROUP_MAX);
      try {
        await this.#commit(group);
      } catch (error) {
        if (group.length === 1) group[0]?.reject(error);
        else await this.#commitEach(group);
      }
    }
    this.#committing = false;
  }

  async #commitEach(group: readonly Waiting<Item, Answer>[]): Promise<void> {
    for (const one of group) {
      try {
        await this.#commit([one]);
      } catch (error) {
        one.reject(error);
      }
    }
  }

  async #commit(group: readonly Waiting<Item, Answer>[]): Promise<void> {
    const answers = await this.database.transact(async (trx) => {
      const written: Answer[] = [];
      for (const one of group) written.push(await this.write(trx, one.item));
      return written;
    });
    group.forEach((one, i) => {
      one.resolve(answers[i] as Answer);
    });
  }
}
