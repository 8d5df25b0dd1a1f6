import { pino } from 'pino';
import { WorkerService } from '../../src/pipeline/worker.service.js';
import type { OpenDatabase } from '../../src/storage/database.js';
import { ManualClock } from '../support/temp-database.js';

/** Workers of one database on one clock that only the test moves. */
export class Hall {
  readonly clock = new ManualClock();
  #steppedMs = 0;

  constructor(readonly database: OpenDatabase) {}

  worker(): WorkerService {
    return new WorkerService({
      database: this.database,
      clock: this.clock,
      log: pino({ level: 'silent' }),
      monotonicMillis: () => this.clock.now() / 1000 - this.#steppedMs,
    });
  }

  /** Somebody sets the clock forward. */
  setForward(ms: number): void {
    this.#steppedMs += ms;
    this.clock.advance(ms);
  }

  async begun(): Promise<WorkerService> {
    const worker = this.worker();
    await worker.begin();
    return worker;
  }

  async isStopped(id: string): Promise<boolean> {
    const row = await this.database.db
      .selectFrom('worker')
      .select('stopped_at')
      .where('id', '=', id)
      .executeTakeFirstOrThrow();
    return row.stopped_at !== null;
  }
}
