import { setImmediate as nextTurn } from 'node:timers/promises';
import { type Kysely, sql, type Transaction } from 'kysely';
import type { Turn } from './dialect.js';
import type { UnitTransaction } from './dialect-sqlite.js';
import { prepared } from './prepared.js';
import type { Tables } from './tables.js';

/** Units in one commit: past this the first waits longer than a flush of its own would have taken. */
const UNITS_MAX = 64;
/** Time that units of one commit may take; nothing else of the process gets a turn meanwhile. */
const WORK_MS_MAX = 8;

type Trx = Transaction<Tables>;
type Unit = (trx: Trx) => Promise<Answer>;
/** How a unit is answered after its commit. */
type Answer = () => void;
type Fail = (error: unknown) => void;

interface Waiting {
  readonly unit: Unit;
  readonly fail: Fail;
}

/** Work of another connection, while which nothing is written here. It answers for itself and never throws. */
interface WaitingAside {
  readonly aside: () => Promise<void>;
}

type End =
  | { readonly kind: 'committed'; readonly answers: readonly Answer[] }
  /** Nothing of it is kept. */
  | { readonly kind: 'unit-failed' | 'commit-failed'; readonly error: unknown };

const savepoint = prepared((db) => ({ compile: () => sql`savepoint unit`.compile(db) }));
const rollBack = prepared((db) => ({ compile: () => sql`rollback to unit`.compile(db) }));
const release = prepared((db) => ({ compile: () => sql`release unit`.compile(db) }));

/**
 * SQLite has one writer, so transactions run one after the other whoever asks; this lets those that wait at
 * the same moment share one flush to disk. Each is a unit of its own: it sees what was written before it and
 * nothing of what comes after, what it throws undoes its own writes and no others, and it is answered only
 * after the commit that holds it is on the disk. When the commit itself fails, every unit in it has failed.
 *
 * Units run one behind the other in one transaction, since a way back to each would cost more than most of them
 * do. When one throws, all of it is undone, and those it took along run again, each with its own way back.
 */
export class GroupCommit {
  readonly #waiting: (Waiting | WaitingAside)[] = [];
  #isRunning = false;

  /** @param openUnit gives a unit a transaction of its own on the commit's connection; by default it shares the commit's */
  constructor(
    private readonly db: Pick<Kysely<Tables>, 'transaction'>,
    private readonly openUnit?: (turn: Turn) => UnitTransaction,
  ) {}

  run<T>(work: (trx: Trx) => Promise<T>): Promise<T> {
    return new Promise((resolve, reject) => {
      const unit: Unit = async (trx) => {
        const value = await work(trx);
        return () => resolve(value);
      };
      this.#waitFor({ unit, fail: reject });
    });
  }

  /**
   * Runs `work`, which writes to the same file over another connection, in its turn and with no transaction beside it:
   * a transaction that began meanwhile would stop the whole process until the other connection is done.
   */
  aside<T>(work: () => Promise<T>): Promise<T> {
    return new Promise((resolve, reject) => {
      this.#waitFor({ aside: () => work().then(resolve, reject) });
    });
  }

  #waitFor(waiting: Waiting | WaitingAside): void {
    this.#waiting.push(waiting);
    if (!this.#isRunning) void this.#runAll();
  }

  async #runAll(): Promise<void> {
    this.#isRunning = true;
    while (this.#waiting.length > 0) {
      // Queries never leave the turn they start in: without this no request, answer or timer would get one.
      await nextTurn();
      const first = this.#waiting.shift();
      if (first === undefined) break;
      if ('aside' in first) await first.aside();
      // The next ones are worked while these get onto the disk.
      else await new Promise<void>((worked) => void this.#commitOnce(first, worked));
    }
    this.#isRunning = false;
  }

  /** The next unit, taken out of the queue; null where none waits or something else comes before it. */
  #nextUnit(): Waiting | null {
    const [next] = this.#waiting;
    if (next === undefined || 'aside' in next) return null;
    this.#waiting.shift();
    return next;
  }

  /** @param worked is called when nothing more is asked of the connection but the commit, at the latest at the end */
  async #commitOnce(first: Waiting, worked: () => void): Promise<void> {
    const taken = [first];
    const bare = (trx: Trx, unit: Unit, _fail: Fail, turn: Turn) => this.#opened(trx, unit, turn);
    let end = await this.#transact(taken, bare, UNITS_MAX, worked);
    if (end.kind === 'unit-failed' && taken.length > 1) {
      const undoing = (trx: Trx, unit: Unit, fail: Fail, turn: Turn) =>
        this.#undoable(trx, unit, fail, turn);
      end = await this.#transact(taken, undoing, taken.length, worked);
    }
    worked();
    if (end.kind === 'committed') for (const answer of end.answers) answer();
    else for (const { fail } of taken) fail(end.error);
  }

  /** One transaction of the units that were taken and, up to `unitsMax`, of those that have come meanwhile. */
  async #transact(
    taken: Waiting[],
    run: (trx: Trx, unit: Unit, fail: Fail, turn: Turn) => Promise<Answer>,
    unitsMax: number,
    worked: () => void,
  ): Promise<End> {
    const answers: Answer[] = [];
    let failed: End | null = null;
    try {
      await this.db.transaction().execute(async (trx) => {
        const turn = { since: performance.now() };
        const until = turn.since + WORK_MS_MAX;
        for (const { unit, fail } of taken) {
          try {
            answers.push(await run(trx, unit, fail, turn));
          } catch (error) {
            failed = { kind: 'unit-failed', error };
            throw error;
          }
          if (taken.length < unitsMax && performance.now() < until) {
            const next = this.#nextUnit();
            if (next !== null) taken.push(next);
          }
        }
        worked();
      });
    } catch (error) {
      return failed ?? { kind: 'commit-failed', error };
    }
    return { kind: 'committed', answers };
  }

  /** Runs a unit in a transaction of its own where one can be opened. */
  async #opened(trx: Trx, unit: Unit, turn: Turn): Promise<Answer> {
    if (this.openUnit === undefined) return unit(trx);
    const own = this.openUnit(turn);
    try {
      return await unit(own.trx);
    } finally {
      own.close();
    }
  }

  /** Runs a unit so that its failure undoes what it wrote and nothing else. */
  async #undoable(trx: Trx, unit: Unit, fail: Fail, turn: Turn): Promise<Answer> {
    await savepoint(trx, {});
    try {
      const answer = await this.#opened(trx, unit, turn);
      await release(trx, {});
      return answer;
    } catch (error) {
      await rollBack(trx, {});
      await release(trx, {});
      return () => fail(error);
    }
  }
}
