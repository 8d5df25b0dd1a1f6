import type { Logger } from 'pino';
import type { Settings } from '../config.js';
import { ERRORS } from '../error-registry.js';
import { InProcessQueue } from '../queue/in-process.queue.js';
import type { Owner } from '../queue/redis-ownership.js';
import { TroubleLog } from '../queue/trouble-log.js';
import type { Bell, WorkQueue } from '../queue/work-queue.js';
import type { Clock } from '../storage/clock.js';
import { type OpenDatabase, openDatabase } from '../storage/database.js';

/**
 * One of the two supported pairs: SQLite with the queue in the process, PostgreSQL with BullMQ on Redis.
 * Everything else is the same on both.
 */
export interface Pair {
  readonly database: OpenDatabase;
  /** The clock that everything written to the database goes by. */
  readonly clock: Clock;
  /** Digest of where the database lives. */
  readonly place: string;
  /** Where it lives now. */
  readonly readPlace: () => Promise<string>;
  /** Opened once the database has said whose bells they are. */
  openQueue(owner: Owner): Promise<WorkQueue>;
}

/**
 * @param mayMigrate false: a server's tables of a version before are refused
 * @throws Misconfigured when the store or the queue cannot be used, saying what was found and what to do.
 */
export async function openPair(
  settings: Settings,
  log: Logger,
  mayMigrate: boolean,
): Promise<Pair> {
  const database = await openDatabase({
    ...settings,
    mayMigrate,
    alert: ({ code, found }) => log[ERRORS[code].level]({ event: code, found }),
  });
  const { clock } = database;
  // While the database is away every bell fails, again and again, for one reason.
  const trouble = new TroubleLog(log);
  const onError = (bell: Bell, err: unknown) => {
    const reason = err instanceof Error ? err.message : String(err);
    trouble.note('work.failed', `${bell}: ${reason}`, { level: 'error', bell, err });
  };
  const { redisUrl: url } = settings;
  return {
    database,
    clock,
    place: database.place,
    readPlace: () => database.readPlace(),
    openQueue: async (owner) => {
      if (url === null) return new InProcessQueue(clock, onError);
      // Loaded by those alone that have a Redis: it is an eighth of what a start loads.
      const { BullMqQueue } = await import('../queue/bullmq.queue.js');
      return await BullMqQueue.open({ url, owner, clock, log, onError });
    },
  };
}
