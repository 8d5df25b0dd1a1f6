import type { Logger } from 'pino';
import { uuidv7 } from 'uuidv7';
import { addMs, type Instant } from '../formats/instant.js';
import { type Clock, elapsedMillis } from '../storage/clock.js';
import type { OpenDatabase } from '../storage/database.js';
import { dialectOf } from '../storage/dialect.js';
import type { WorkerIdentity } from '../storage/worker-identity.js';
import {
  beat,
  beatsOfOthers,
  pullBackBeats,
  registerWorker,
  retireWorker,
  stopOtherWorkers,
  stopSilentWorkers,
} from './worker.store.js';

export const BEAT_EVERY_MS = 2_000;
/** A worker that was not heard of for so long is declared dead. */
export const SILENT_MS_MAX = 10_000;
/** Its own last beat must be younger than this: well before the others may give it up. */
const TRUSTED_MS = SILENT_MS_MAX - BEAT_EVERY_MS;

export interface WorkerServiceParts {
  readonly database: OpenDatabase;
  readonly clock: Clock;
  readonly log: Logger;
  readonly monotonicMillis?: () => number;
  /** False when the database is not the one, or not in the life, that this process began with; true when left out. */
  readonly isSameLife?: () => Promise<boolean>;
  /** False while another site folder than this process's is in force; true when left out. */
  readonly isFolderInForce?: () => Promise<boolean>;
}

const OUTLIVED =
  'the database is of another life than the one that this process began with: it begins nothing until it is started anew';
const OUTDATED =
  'another site folder was activated since this process was started: it begins no work until it is started with that one';

interface Seen {
  readonly beat: Instant;
  readonly atMs: number;
}

/**
 * This process among those that work on the database: a row with one heartbeat. Whoever beats looks for those
 * that no longer do; what a dead one held is then taken up by anybody, and its late writes, which name state and
 * fence, change nothing.
 */
export class WorkerService implements WorkerIdentity {
  #id = uuidv7();
  #isRegistered = false;
  #isOutlived = false;
  #isFolderInForce = true;
  /** Monotonic milliseconds at which the last beat that counted was asked for. */
  #heardAt = Number.NEGATIVE_INFINITY;
  #timer: NodeJS.Timeout | null = null;
  /** The last beat seen of each other worker, and when it was seen first, on this process's monotonic clock. */
  #others: ReadonlyMap<string, Seen> = new Map();
  readonly #works: (() => Promise<void>)[] = [];
  readonly #running = new Map<() => Promise<void>, Promise<void>>();
  readonly #isShared: boolean;
  readonly #monotonic: () => number;

  constructor(private readonly parts: WorkerServiceParts) {
    this.#isShared = dialectOf(parts.database.db).isShared;
    this.#monotonic = parts.monotonicMillis ?? elapsedMillis();
  }

  get id(): string {
    return this.#id;
  }

  /** A process that owns its database alone is never given up by anybody. */
  get mayStart(): boolean {
    if (this.whyAnew !== null) return false;
    return !this.#isShared || this.#monotonic() - this.#heardAt < TRUSTED_MS;
  }

  /** Why this process has to be started anew before it does anything more; null where it has not. */
  get whyAnew(): string | null {
    if (this.isOutlived) return OUTLIVED;
    return this.#isFolderInForce ? null : OUTDATED;
  }

  /**
   * True once another life of the database was found: a standby was promoted, or a backup restored, behind the address
   * that this process has. What it knows is of a life before, which may have sent more than the database says.
   */
  get isOutlived(): boolean {
    // A connection that was lost is made anew at once, and what is begun over it would come before the next beat.
    return this.#isOutlived || this.parts.database.isElsewhere?.() === true;
  }

  /**
   * Registers. On a file that one process owns every other one is given up. Among several this is the first look at the
   * others' beats, and nobody is given up by one look: who ended before this start is by the beats that follow.
   */
  async begin(): Promise<void> {
    const { database, clock } = this.parts;
    await this.#register();
    if (this.#isShared) await this.#stopSilent();
    else await database.transact((trx) => stopOtherWorkers(trx, this.#id, clock.now()));
  }

  /** Beats from now on. What fails is made up for by the next. */
  keepBeating(): void {
    this.#keepDoing(() => this.beat());
  }

  /**
   * For a process that only answers: it claims nothing, so nobody has to hear of it, and it may be outlived as well.
   *
   * @param onSame after each look that found the life it began with
   */
  keepLooking(onSame: () => void): void {
    this.#keepDoing(async () => {
      await this.#look();
      if (!this.isOutlived) onSame();
    });
  }

  /** Does from now on as often what else is to be done then, which never holds up a beat. */
  besideBeats(work: () => Promise<void>): void {
    this.#works.push(work);
  }

  #keepDoing(work: () => Promise<void>): void {
    this.#works.push(work);
    this.#timer = setInterval(() => {
      for (const one of this.#works) if (!this.#running.has(one)) this.#run(one);
    }, BEAT_EVERY_MS);
  }

  #run(work: () => Promise<void>): void {
    const ended = work()
      .catch((err: unknown) => {
        this.parts.log.warn({ event: 'worker.beat-failed', worker: this.#id, err });
      })
      .finally(() => this.#running.delete(work));
    this.#running.set(work, ended);
  }

  /** One beat: says that it lives, takes a new id when it was declared dead, and looks for the silent. */
  async beat(): Promise<void> {
    const { database, clock, log } = this.parts;
    await this.#look();
    if (this.isOutlived) return;
    const askedAt = this.#monotonic();
    const isAlive = await database.transact((trx) => beat(trx, this.#id, clock.now()));
    if (isAlive) this.#heardAt = askedAt;
    else {
      const before = this.#id;
      await this.#register();
      log.warn({ event: 'worker.declared-dead', worker: before, goesOnAs: this.#id });
    }
    if (this.#isShared) await this.#stopSilent();
  }

  /** Before each beat: with a database that was away nothing is begun before one has succeeded. */
  async #look(): Promise<void> {
    const { isSameLife, isFolderInForce, log } = this.parts;
    if (this.isOutlived || (isSameLife !== undefined && !(await isSameLife()))) {
      this.#isOutlived = true;
      log.error({ event: 'worker.outlived', worker: this.#id }, OUTLIVED);
      return;
    }
    const wasInForce = this.#isFolderInForce;
    this.#isFolderInForce = isFolderInForce === undefined || (await isFolderInForce());
    if (wasInForce && !this.#isFolderInForce) {
      log.error({ event: 'site-folder-outdated', worker: this.#id }, OUTDATED);
    }
  }

  /**
   * Beats no more. Call it when nothing runs under its id. A database that is away must not keep the rest open: the others
   * give this worker up by its silence then.
   */
  async end(): Promise<void> {
    if (this.#timer !== null) clearInterval(this.#timer);
    await Promise.all(this.#running.values());
    if (!this.#isRegistered) return;
    const { database, clock, log } = this.parts;
    try {
      await database.transact((trx) => retireWorker(trx, this.#id, clock.now()));
    } catch (err) {
      log.warn({ event: 'worker.end-not-recorded', worker: this.#id, err });
    }
  }

  /** The id counts once its row is there. */
  async #register(): Promise<void> {
    const { database, clock } = this.parts;
    const id = this.#isRegistered ? uuidv7() : this.#id;
    const askedAt = this.#monotonic();
    await database.transact((trx) => registerWorker(trx, id, clock.now()));
    this.#id = id;
    this.#isRegistered = true;
    this.#heardAt = askedAt;
  }

  /**
   * Gives up whose beat is old, and has been the same one for as long as this process itself looked: when somebody sets the
   * clock forward every beat looks old at once, and whoever is given up while it sends has its messages sent again beside it.
   */
  async #stopSilent(): Promise<void> {
    const { database, clock, log } = this.parts;
    const dead = await database.transact(async (trx) => {
      const now = clock.now();
      const silentSince = addMs(now, -SILENT_MS_MAX);
      await pullBackBeats(trx, { now, latest: addMs(now, SILENT_MS_MAX) });
      const atMs = this.#monotonic();
      this.#see(await beatsOfOthers(trx, this.#id), atMs);
      const unchanged = [...this.#others].filter(([, seen]) => atMs - seen.atMs >= TRUSTED_MS);
      return stopSilentWorkers(trx, { ids: unchanged.map(([id]) => id), silentSince, now });
    });
    for (const worker of dead) log.warn({ event: 'worker.gave-up', worker, by: this.#id });
  }

  #see(beats: Awaited<ReturnType<typeof beatsOfOthers>>, atMs: number): void {
    this.#others = new Map(
      beats.map(({ id, heartbeat_at: beat }) => {
        const known = this.#others.get(id);
        return [id, known?.beat === beat ? known : { beat, atMs }];
      }),
    );
  }
}
