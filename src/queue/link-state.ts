import type { Logger } from 'pino';
import { Misconfigured } from '../errors.js';
import type { RedisFault } from './redis-fitness.js';

/**
 * `away`: Redis cannot be reached. `unfit`: it answers, and cannot carry the queue as it is. Both only cost
 * time, so neither ends a process that runs: the sweeps of the workers find what is due.
 */
type Kind = 'connecting' | 'away' | 'unfit' | 'fit';

/** What is known of Redis, and the one log line for each change of it. */
export class LinkState {
  #kind: Kind = 'connecting';
  #fault: RedisFault | null = null;
  #wasFit = false;
  #leftAt = performance.now();
  #notCarriedThen = 0;
  /** Rings since the start, and how many of them Redis did not carry. */
  readonly counts = { rings: 0, notCarried: 0 };

  constructor(private readonly log: Logger) {}

  get kind(): Kind {
    return this.#kind;
  }

  get fault(): RedisFault | null {
    return this.#fault;
  }

  /** True once this process has used the keys: whatever stands there later is of this database. */
  get wasFit(): boolean {
    return this.#wasFit;
  }

  /** True when it was not fit before. */
  isFit(): boolean {
    if (this.#kind === 'fit') return false;
    if (this.#kind !== 'connecting') {
      this.log.info({
        event: 'queue.back',
        awayMs: Math.round(performance.now() - this.#leftAt),
        ringsNotCarried: this.counts.notCarried - this.#notCarriedThen,
      });
    }
    this.#kind = 'fit';
    this.#fault = null;
    this.#wasFit = true;
    return true;
  }

  isUnfit(fault: RedisFault): void {
    const isNews = this.#fault?.code !== fault.code || this.#fault.found !== fault.found;
    const isStart = this.#kind === 'connecting';
    this.#leave('unfit');
    this.#fault = fault;
    if (isStart || !isNews) return;
    const { message } = new Misconfigured(fault.code, { found: fault.found });
    this.log.error({ event: 'queue.unfit', code: fault.code }, message);
  }

  isAway(reason: string): void {
    if (this.#kind === 'away') return;
    this.#leave('away');
    this.log.warn(
      { event: 'queue.away', reason },
      'Redis cannot be reached; work goes on, found by the sweep every two seconds',
    );
  }

  isEmptied(): void {
    this.log.warn(
      { event: 'queue.emptied' },
      'the keys of the queue were deleted; what is due is found by the sweep',
    );
  }

  #leave(to: Kind): void {
    if (this.#kind === 'fit') {
      this.#leftAt = performance.now();
      this.#notCarriedThen = this.counts.notCarried;
    }
    this.#kind = to;
  }
}
