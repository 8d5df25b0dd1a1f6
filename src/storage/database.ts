import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { Kysely } from 'kysely';
import { Misconfigured } from '../errors.js';
import { anchoredClock, type Clock } from './clock.js';
import { sqlitePlace } from './database-place.js';
import {
  KeptStatements,
  openSqliteFile,
  TransactionalSqliteDialect,
  unitsOn,
} from './dialect-sqlite.js';
import { GroupCommit } from './group-commit.js';
import type { Db, Reader, Trx } from './handles.js';
import { copyBeside } from './log-copy.js';
import { migrateToLatest } from './migrate.js';
import { openPostgres } from './open-postgres.js';
import { writeStatistics } from './sqlite-statistics.js';
import type { StorageAlert } from './storage-alert.js';
import type { Tables } from './tables.js';
import { openWalFile, WalFlush } from './wal-flush.js';

export type { Db, Reader, Trx };

/** An abstract class rather than an interface only so that it can be asked for by type in Nest. */
export abstract class OpenDatabase {
  abstract readonly db: Db;
  /**
   * Runs `work` as one write transaction: all of it or nothing, answered after the commit. Await only queries
   * on `trx` and `inTurns` inside, and change nothing else: where several processes share the database, a transaction that
   * met another one is run again from its start.
   */
  abstract transact<T>(work: (trx: Trx) => Promise<T>): Promise<T>;
  /** Where it is a file that a thread can open beside the process; left out where it is a server. */
  readonly file?: FileBeside;
  /** The same database over connections that are kept for stops; left out where everything shares one writer. */
  readonly reserved?: Pick<OpenDatabase, 'db' | 'transact'>;
  /**
   * True once its address led to another place than at the start, from before the first query there on; left out where it
   * is a file, which a process has open wherever its name leads.
   */
  isElsewhere?(): boolean;
  abstract close(): Promise<void>;
}

/** The file of a database, for a connection of another thread of the process that owns it. */
export interface FileBeside {
  readonly path: string;
  /**
   * Runs `work`, which writes over that connection, while no transaction of this process runs. Everything that wants
   * to write waits for it, and nothing else does.
   */
  writeAside<T>(work: () => Promise<T>): Promise<T>;
}

/** A database with the clock that everything written to it goes by. */
export interface ClockedDatabase extends OpenDatabase {
  readonly clock: Clock;
  /** Digest of where it lives: a copy lives elsewhere. */
  readonly place: string;
  /** The same as it is now: behind its address a server may be replaced by another one. */
  readPlace(): Promise<string>;
}

export interface DatabasePlace {
  readonly dataDirectory: string;
  /** Address of a PostgreSQL database; null for the SQLite file of the data folder. */
  readonly databaseUrl: string | null;
  readonly alert?: (alert: StorageAlert) => void;
  /** False: a server's tables of a version before are refused, since others may work on them; true when left out. */
  readonly mayMigrate?: boolean;
}

/**
 * Opens (and migrates) the database of a gateway.
 *
 * @throws Misconfigured when it cannot be used, saying what was found and what to do.
 */
export async function openDatabase(place: string | DatabasePlace): Promise<ClockedDatabase> {
  if (typeof place === 'string') return openSqlite(place);
  const { dataDirectory, databaseUrl: url, alert, mayMigrate = true } = place;
  if (url === null) return openSqlite(dataDirectory);
  makeFolder(dataDirectory);
  return openPostgres({ url, alert: alert ?? (() => undefined), mayMigrate });
}

/** The file of a data folder that holds everything. */
export function databaseFile(dataDirectory: string): string {
  return join(dataDirectory, 'drumline.db');
}

function makeFolder(path: string): void {
  mkdirSync(path, { recursive: true, mode: 0o700 });
}

/**
 * The SQLite database of a data folder. The process holds an exclusive lock on a second file for as long as
 * it lives, so that two gateways can never own one database; the operating system drops the lock when the
 * process dies, however it dies.
 *
 * @throws Misconfigured `database-in-use` when another process owns the folder, `database-newer` when a
 *   later version of the service has migrated it, `database-migration-failed` when its tables cannot be made.
 */
async function openSqlite(dataDirectory: string): Promise<ClockedDatabase> {
  makeFolder(dataDirectory);
  const lock = takeLock(join(dataDirectory, 'owner.lock'), dataDirectory);
  const path = databaseFile(dataDirectory);
  const file = openSqliteFile(path);
  // What an earlier process left in the log gets into the database, and both onto the disk, before anybody reads it.
  file.pragma('wal_checkpoint(TRUNCATE)');
  const flush = new WalFlush(openWalFile(`${path}-wal`));
  const copying = copyBeside(file, (work) => commits.aside(work));
  const statements = new KeptStatements(file, flush, copying.log);
  const dialect = new TransactionalSqliteDialect({ database: statements });
  const db = new Kysely<Tables>({ dialect });
  try {
    await migrateToLatest(db);
    writeStatistics(file);
  } catch (error) {
    await copying.close();
    await db.destroy();
    await flush.close();
    lock.close();
    throw error;
  }
  const commits = new GroupCommit(db, unitsOn(db, dialect, statements));
  const place = sqlitePlace(path);
  return {
    db,
    clock: anchoredClock(),
    place,
    // It has the file open, wherever its name leads by now.
    readPlace: () => Promise.resolve(place),
    file: {
      path,
      writeAside: (work) =>
        commits.aside(async () => {
          const done = await work();
          flush.noteCommit();
          return done;
        }),
    },
    transact: (work) => commits.run(work),
    close: async () => {
      await copying.close();
      await db.destroy();
      await flush.close();
      lock.close();
    },
  };
}

function takeLock(path: string, dataDirectory: string): Database.Database {
  const lock = new Database(path, { timeout: 0 });
  try {
    lock.pragma('locking_mode = EXCLUSIVE');
    lock.exec('begin exclusive');
  } catch (cause) {
    lock.close();
    if (!isBusy(cause)) throw cause;
    throw new Misconfigured('database-in-use', { found: dataDirectory, cause });
  }
  return lock;
}

function isBusy(error: unknown): boolean {
  return error instanceof Database.SqliteError && error.code.startsWith('SQLITE_BUSY');
}
