import type { OpenDatabase, Trx } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import { lockReceipts, lockSiteEvidence, shareSiteEvidence } from './facts.store.js';

/** Each attempt locks what the one before found missing; facts that never stand still are somebody's defect. */
const ATTEMPTS_MAX = 20;

/** Undoes a transaction that has to lock receipts it cannot take in order any more. */
class ReceiptsMissing extends Error {
  constructor(readonly receiptIds: readonly string[]) {
    super(`receipts to be locked first: ${receiptIds.join(', ')}`);
    this.name = 'ReceiptsMissing';
  }
}

/**
 * The receipts that one transaction has locked. Every transaction takes receipts in the order of their ids and
 * the site's evidence after them, so that none waits for another in a circle. What turns out to be needed too
 * late for that runs the transaction again from its start, with those receipts in their place.
 */
export class ReceiptLocks {
  readonly #locked = new Set<string>();
  #last = '';
  #hasEvidence = false;

  constructor(
    private readonly trx: Trx,
    private readonly site: string,
    /** What earlier attempts found missing. */
    private readonly expected: ReadonlySet<string>,
  ) {}

  /** Announces that facts of these receipts change, see `lockReceipts`. */
  async add(receiptIds: Iterable<string>): Promise<void> {
    const wanted = new Set([...receiptIds, ...this.expected]);
    const missing = [...wanted].filter((id) => !this.#locked.has(id)).sort();
    const [first] = missing;
    if (first === undefined) return;
    // Where one process owns the file, its write transaction holds every row already.
    const isLate = this.#hasEvidence || first < this.#last;
    if (isLate && dialectOf(this.trx).isShared) throw new ReceiptsMissing(missing);
    await lockReceipts(this.trx, this.site, missing);
    for (const id of missing) this.#locked.add(id);
    this.#last = missing.at(-1) ?? this.#last;
  }

  /**
   * As `add`, with whatever is found from these: looked for again behind the locks, until nothing new is found, since who
   * had one of them meanwhile may have made more.
   *
   * @returns all of them
   */
  async addFound(
    receiptIds: Iterable<string>,
    find: (ids: readonly string[]) => Promise<readonly string[]>,
  ): Promise<ReadonlySet<string>> {
    const all = new Set(receiptIds);
    for (let size = -1; size !== all.size; ) {
      size = all.size;
      await this.add(all);
      for (const id of await find([...all])) all.add(id);
    }
    return all;
  }

  /**
   * As `addFound`, for what is said of drums by their numbers: who lists one of them for the first time meanwhile has no
   * receipt that could be locked, but shares the site's evidence before it reads what is known of it. Behind that alone is
   * nobody missed: what is said is seen there, or the list is seen here.
   *
   * @param numbers of the drums; with none it is `addFound`
   */
  async addListing(
    receiptIds: Iterable<string>,
    numbers: Iterable<string>,
    find: (ids: readonly string[]) => Promise<readonly string[]>,
  ): Promise<ReadonlySet<string>> {
    const found = await this.addFound(receiptIds, find);
    const [first] = numbers;
    if (first === undefined || !dialectOf(this.trx).isShared) return found;
    await this.evidence();
    return this.addFound(found, find);
  }

  /** Shares the site's evidence, see `shareSiteEvidence`: a receipt found missing behind it is locked from the start. */
  async shareEvidence(): Promise<void> {
    await shareSiteEvidence(this.trx, this.site);
    this.#hasEvidence = true;
  }

  /** Locks the site's evidence exclusively, see `lockSiteEvidence`. */
  async evidence(): Promise<void> {
    await this.add([]);
    await lockSiteEvidence(this.trx, this.site);
    this.#hasEvidence = true;
  }
}

/** `transact` for work that finds out on its way which receipts it bears on. */
export async function transactLocking<T>(
  database: OpenDatabase,
  site: string,
  work: (trx: Trx, locks: ReceiptLocks) => Promise<T>,
): Promise<T> {
  const expected = new Set<string>();
  for (let attempt = 1; ; attempt += 1) {
    try {
      return await database.transact((trx) => work(trx, new ReceiptLocks(trx, site, expected)));
    } catch (error) {
      if (!(error instanceof ReceiptsMissing) || attempt === ATTEMPTS_MAX) throw error;
      for (const id of error.receiptIds) expected.add(id);
    }
  }
}
