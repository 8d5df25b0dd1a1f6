import { type CommonRedisOptions, Redis } from 'ioredis';
import type { Logger } from 'pino';
import { Misconfigured } from '../errors.js';
import { LinkState } from './link-state.js';
import { type RedisFault, redisFault } from './redis-fitness.js';
import { keyPrefix } from './redis-keys.js';
import { claimKeys, type Owner } from './redis-ownership.js';
import { TroubleLog } from './trouble-log.js';

/** Longest that anything waits for Redis when it rings. */
const CARRY_MS_MAX = 100;
/** After a ring that was not answered in time, rings are not tried for as long. */
const SILENT_MS = 1_000;
/** How long a start waits for Redis before it goes on without. */
const START_MS_MAX = 1_000;
const LOOK_EVERY_MS = 2_000;
const RETRY_MS_MAX = 2_000;
/** A connection that owes an answer for longer is dead, whatever its socket says. */
const PRODUCER_SILENCE_MS_MAX = 2_000;
/** Longer than the longest wait of a worker for its next job. */
const CONSUMER_SILENCE_MS_MAX = 15_000;
const REFUSED = /^(?:NOAUTH|WRONGPASS|NOPERM)/;

export interface RedisLinkOptions {
  readonly url: string;
  readonly owner: Owner;
  readonly log: Logger;
}

/**
 * The connections to Redis and what is known of the server behind them. It is looked at again with every
 * connection and every two seconds, because a server that comes back may be another one.
 */
export class RedisLink {
  /** Fails at once when there is no connection. */
  readonly producer: Redis;
  readonly state: LinkState;
  readonly #trouble: TroubleLog;
  readonly #whenUsable: (() => void)[] = [];
  readonly #whenEmptied: (() => void)[] = [];
  #consumer: Redis | null = null;
  #silentUntil = 0;
  #lastError = 'no answer';
  #timer: NodeJS.Timeout | null = null;
  #looking: Promise<void> | null = null;
  #isClosed = false;

  private constructor(private readonly options: RedisLinkOptions) {
    this.state = new LinkState(options.log);
    this.#trouble = new TroubleLog(options.log);
    this.producer = this.#connect({
      enableOfflineQueue: false,
      autoResendUnfulfilledCommands: false,
      maxRetriesPerRequest: 0,
      connectTimeout: PRODUCER_SILENCE_MS_MAX,
      socketTimeout: PRODUCER_SILENCE_MS_MAX,
    });
    this.producer.on('ready', () => this.#look());
    // While it starts, a failed attempt is followed by another.
    this.producer.on('close', () => {
      if (!this.#isClosed && this.state.kind !== 'connecting') this.state.isAway(this.#lastError);
    });
  }

  /**
   * Waits a moment for Redis and goes on without it when it does not come, because a gateway must also
   * start while Redis is down.
   *
   * @throws Misconfigured when it answers and cannot carry the queue, with the remedy.
   */
  static async open(options: RedisLinkOptions): Promise<RedisLink> {
    const link = new RedisLink(options);
    const fault = await link.#firstFault();
    if (fault) {
      link.close();
      throw new Misconfigured(fault.code, { found: fault.found });
    }
    link.#lookAgainLater();
    return link;
  }

  /** Connection of the workers: waits for Redis as long as it takes. */
  get consumer(): Redis {
    this.#consumer ??= this.#connect({
      maxRetriesPerRequest: null,
      socketTimeout: CONSUMER_SILENCE_MS_MAX,
    });
    return this.#consumer;
  }

  get isUsable(): boolean {
    const isFit = this.state.kind === 'fit' && this.producer.status === 'ready';
    return isFit && performance.now() >= this.#silentUntil;
  }

  /** Calls back once: now when Redis is fit, otherwise as soon as it is. */
  whenFit(use: () => void): void {
    if (this.state.kind === 'fit') use();
    else this.#whenUsable.push(use);
  }

  /** Calls back whenever the keys turn out to have been deleted. */
  whenEmptied(use: () => void): void {
    this.#whenEmptied.push(use);
  }

  /** Lets Redis carry one ring; false when it did not, within 100 ms. Never fails. */
  async carry(ring: () => Promise<unknown>): Promise<boolean> {
    this.state.counts.rings += 1;
    const isCarried = this.isUsable && (await this.#inTime(ring));
    if (!isCarried) this.state.counts.notCarried += 1;
    return isCarried;
  }

  /** Troubles of a connection; while Redis is away they say nothing new. */
  remark(error: Error): void {
    if (this.#isClosed || this.state.kind !== 'fit') return;
    this.#trouble.note('queue.trouble', error.message);
  }

  close(): void {
    this.#isClosed = true;
    if (this.#timer) clearTimeout(this.#timer);
    this.producer.disconnect();
    this.#consumer?.disconnect();
  }

  #connect(options: Omit<CommonRedisOptions, 'replyMapping'>): Redis {
    const connection = new Redis(this.options.url, {
      connectionName: keyPrefix(this.options.owner.site),
      retryStrategy: (attempt) => Math.min(50 * 2 ** Math.min(attempt, 10), RETRY_MS_MAX),
      ...options,
    });
    // Only the message is kept: the error itself holds the command, and with it a password.
    connection.on('error', (error: Error) => {
      this.#lastError = error.message;
    });
    return connection;
  }

  async #inTime(ring: () => Promise<unknown>): Promise<boolean> {
    let timer: NodeJS.Timeout | undefined;
    const tooLong = new Promise<boolean>((resolve) => {
      timer = setTimeout(() => {
        this.#silentUntil = performance.now() + SILENT_MS;
        resolve(false);
      }, CARRY_MS_MAX);
    });
    const isCarried = ring().then(
      () => true,
      (error: Error) => {
        this.remark(error);
        return false;
      },
    );
    try {
      return await Promise.race([isCarried, tooLong]);
    } finally {
      clearTimeout(timer);
    }
  }

  async #firstFault(): Promise<RedisFault | null> {
    const end = performance.now() + START_MS_MAX;
    while (this.state.kind === 'connecting' && performance.now() < end) {
      if (REFUSED.test(this.#lastError)) return { code: 'redis-refuses', found: this.#lastError };
      await new Promise((resolve) => setTimeout(resolve, 5));
      // A server that answers is looked at to the end, also when that takes longer.
      await this.#looking;
    }
    if (this.state.kind === 'connecting') this.state.isAway(this.#lastError);
    return this.state.fault;
  }

  #lookAgainLater(): void {
    if (this.#isClosed) return;
    const wait = LOOK_EVERY_MS * (0.75 + Math.random() / 2);
    this.#timer = setTimeout(() => {
      if (this.producer.status === 'ready') this.#look();
      this.#lookAgainLater();
    }, wait);
  }

  #look(): void {
    this.#looking ??= this.#inspect()
      .catch((error: Error) => {
        this.#lastError = error.message;
      })
      .finally(() => {
        this.#looking = null;
      });
  }

  async #inspect(): Promise<void> {
    const { wasFit } = this.state;
    const fault = redisFault(await this.producer.info());
    if (fault) return this.state.isUnfit(fault);
    const claimed = await claimKeys(this.producer, this.options.owner, wasFit);
    if (claimed.kind === 'foreign') return this.state.isUnfit(claimed.fault);
    this.#silentUntil = 0;
    if (this.state.isFit()) for (const use of this.#whenUsable.splice(0)) use();
    if (claimed.kind === 'ours' || !wasFit) return;
    this.state.isEmptied();
    for (const use of this.#whenEmptied) use();
  }
}
