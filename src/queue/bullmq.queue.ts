import { type Job, type JobsOptions, Queue, Worker, type WorkerOptions } from 'bullmq';
import type { Logger } from 'pino';
import type { Clock } from '../storage/clock.js';
import { LocalBells, SWEEP_EVERY_MS } from './local-bells.js';
import { keyPrefix, queueName } from './redis-keys.js';
import { RedisLink } from './redis-link.js';
import type { Owner } from './redis-ownership.js';
import type { Bell, BellHandler, WorkQueue } from './work-queue.js';

/**
 * A ring is a job without content. Rings of one bell are one job until a worker takes it, so there is at
 * most one that waits, however long nobody works.
 */
const RING: JobsOptions = {
  deduplication: { id: 'ring' },
  removeOnComplete: true,
  removeOnFail: true,
};
const EVENTS_MAX = 100;
/** Nobody waits longer for connections that do not end; what they carry stands in the database. */
const CLOSE_MS_MAX = 2_000;

const WORKER: Omit<WorkerOptions, 'connection' | 'prefix'> = {
  // One job a bell: while its handler is busy here, the next ring goes to a process that is not.
  concurrency: 1,
  // A worker that died is noticed after this; until then the sweeps of the others do its work.
  lockDuration: 10_000,
  stalledInterval: 5_000,
  // A ring whose worker died is given to another one this often, then dropped: the sweep rings anyway.
  maxStalledCount: 3,
  runRetryDelay: 1_000,
  // Looked at by the link, which says so once.
  skipVersionCheck: true,
};

export interface BullMqOptions {
  /** `redis:` or `rediss:` URL. */
  readonly url: string;
  readonly owner: Owner;
  readonly clock: Clock;
  readonly log: Logger;
  readonly onError: (bell: Bell, error: unknown) => void;
}

/**
 * The queue of the server pair: Redis carries the bells between processes. A ring goes to one process that
 * can look at once: none takes a ring while its handler of that bell is busy. Redis is never needed: a ring
 * that it does not carry is rung in this process, and every process that works looks by itself every two
 * seconds.
 */
export class BullMqQueue implements WorkQueue {
  readonly #bells: LocalBells;
  readonly #queues = new Map<Bell, Queue>();
  readonly #workers: Worker[] = [];
  /** One ring of a bell is under way at a time; those that come meanwhile are one more. */
  readonly #carrying = new Map<Bell, { again: boolean; readonly done: Promise<void> }>();
  #sweep: NodeJS.Timeout | null = null;
  #draining: Promise<void> | null = null;
  #isClosed = false;

  private constructor(
    private readonly link: RedisLink,
    private readonly options: BullMqOptions,
  ) {
    this.#bells = new LocalBells(options.clock, options.onError);
    // The queues write what bounds their events when they are opened.
    link.whenEmptied(() => this.#queues.clear());
  }

  /**
   * @throws Misconfigured when Redis answers and cannot carry the queue (`redis-too-old`, `redis-evicts`,
   *   `redis-unsuitable`, `redis-foreign-keys`, `redis-refuses`). One that does not answer is waited for
   *   while work goes on.
   */
  static async open(options: BullMqOptions): Promise<BullMqQueue> {
    const { url, owner, log } = options;
    return new BullMqQueue(await RedisLink.open({ url, owner, log }), options);
  }

  /** Rings since the start, and how many of them Redis did not carry. */
  get counts(): { readonly rings: number; readonly notCarried: number } {
    return { ...this.link.state.counts };
  }

  ring(bell: Bell): void {
    if (this.#isClosed) return;
    const carrying = this.#carrying.get(bell);
    if (carrying) {
      carrying.again = true;
      return;
    }
    const done = Promise.resolve().then(() => this.#carry(bell));
    this.#carrying.set(bell, { again: false, done });
  }

  ringHere(bell: Bell): void {
    if (this.#draining === null && this.#bells.answers(bell)) this.#bells.ring(bell);
    else this.ring(bell);
  }

  answer(bell: Bell, handler: BellHandler): void {
    this.#bells.answer(bell, handler);
    this.#bells.ring(bell);
    this.link.whenFit(() => this.#listen(bell));
    if (this.#sweep === null) this.#sweepLater();
  }

  drain(): Promise<void> {
    this.#draining ??= this.#drain();
    return this.#draining;
  }

  async #carry(bell: Bell): Promise<void> {
    let isAgain = true;
    while (isAgain) {
      const carrying = this.#carrying.get(bell);
      if (carrying) carrying.again = false;
      const isCarried = await this.link.carry(async () =>
        this.#queueOf(bell).add('ring', {}, RING),
      );
      if (!isCarried) this.#bells.ring(bell);
      isAgain = carrying?.again ?? false;
    }
    this.#carrying.delete(bell);
  }

  #queueOf(bell: Bell): Queue {
    const known = this.#queues.get(bell);
    if (known) return known;
    const queue = new Queue(queueName(bell), {
      connection: this.link.producer,
      prefix: keyPrefix(this.options.owner.site),
      streams: { events: { maxLen: EVENTS_MAX } },
      skipVersionCheck: true,
    });
    queue.on('error', (error) => this.link.remark(error));
    this.#queues.set(bell, queue);
    return queue;
  }

  #listen(bell: Bell): void {
    if (this.#draining !== null) return;
    const worker = new Worker(queueName(bell), (job) => this.#taken(bell, job), {
      ...WORKER,
      connection: this.link.consumer,
      prefix: keyPrefix(this.options.owner.site),
    });
    worker.on('error', (error) => this.link.remark(error));
    this.#workers.push(worker);
  }

  /** Holds the job until the handler could look again, so that no further ring is taken before. */
  async #taken(bell: Bell, job: Job): Promise<void> {
    // From here on a ring is a new job: this one may be looked after before what the next one speaks of.
    await job.removeDeduplicationKey().catch((error: Error) => this.link.remark(error));
    // Handed over to a process that goes on.
    if (this.#draining !== null) return this.ring(bell);
    this.#bells.ring(bell);
    await this.#bells.whenFree(bell);
  }

  #sweepLater(): void {
    const wait = SWEEP_EVERY_MS * (0.75 + Math.random() / 2);
    this.#sweep = setTimeout(() => {
      this.#bells.ringAll();
      this.#sweepLater();
    }, wait);
  }

  /** The queue is closed last: what ends now still rings for the processes that go on. */
  async #drain(): Promise<void> {
    if (this.#sweep) clearTimeout(this.#sweep);
    for (const worker of this.#workers) void worker.pause(true).catch(() => undefined);
    const unanswered = await this.#bells.drain();
    for (const bell of unanswered) this.ring(bell);
    await this.#closeWorkers();
    await Promise.all([...this.#carrying.values()].map(({ done }) => done));
    this.#isClosed = true;
    this.link.close();
  }

  async #closeWorkers(): Promise<void> {
    const isForced = !this.link.isUsable;
    const closed = Promise.allSettled(this.#workers.map((worker) => worker.close(isForced)));
    let timer: NodeJS.Timeout | undefined;
    const tooLong = new Promise<void>((resolve) => {
      timer = setTimeout(resolve, CLOSE_MS_MAX);
    });
    await Promise.race([closed, tooLong]);
    clearTimeout(timer);
  }
}
