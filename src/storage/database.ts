import { mkdirSync } from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { Kysely, Migrator, type Transaction } from 'kysely';
import { Misconfigured } from '../errors.js';
import { KeptStatements, openSqliteFile, TransactionalSqliteDialect } from './dialect-sqlite.js';
import { GroupCommit } from './group-commit.js';
import { migrations } from './migrations/index.js';
import type { Tables } from './tables.js';

export type Db = Kysely<Tables>;
export type Trx = Transaction<Tables>;
/** For queries that read and may run inside or outside a transaction. */
export type Reader = Kysely<Tables> | Trx;

/** An abstract class rather than an interface only so that it can be asked for by type in Nest. */
export abstract class OpenDatabase {
  abstract readonly db: Db;
  /**
   * Runs `work` as one write transaction (`begin immediate`): all of it or nothing, answered after the commit.
   * Await only queries on `trx` inside.
   */
  abstract transact<T>(work: (trx: Trx) => Promise<T>): Promise<T>;
  abstract close(): Promise<void>;
}

/**
 * Opens (and migrates) the SQLite database of a data folder. The process holds an exclusive lock on a
 * second file for as long as it lives, so that two gateways can never own one database; the operating
 * system drops the lock when the process dies, however it dies.
 *
 * @throws Misconfigured `database-in-use` when another process owns the folder, `database-newer` when a
 *   later version of the service has migrated it.
 */
export async function openDatabase(dataDirectory: string): Promise<OpenDatabase> {
  mkdirSync(dataDirectory, { recursive: true, mode: 0o700 });
  const lock = takeLock(join(dataDirectory, 'owner.lock'), dataDirectory);
  const file = openSqliteFile(join(dataDirectory, 'drumline.db'));
  const db = new Kysely<Tables>({
    dialect: new TransactionalSqliteDialect({ database: new KeptStatements(file) }),
  });
  try {
    await migrateToLatest(db);
  } catch (error) {
    await db.destroy();
    lock.close();
    throw error;
  }
  const commits = new GroupCommit(db);
  return {
    db,
    transact: (work) => commits.run(work),
    close: async () => {
      await db.destroy();
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
    throw new Misconfigured('database-in-use', { found: dataDirectory, cause });
  }
  return lock;
}

async function migrateToLatest(db: Db): Promise<void> {
  const migrator = new Migrator({
    db,
    provider: { getMigrations: () => Promise.resolve({ ...migrations }) },
  });
  const known = new Set(Object.keys(migrations));
  const applied = (await migrator.getMigrations()).filter((m) => m.executedAt).map((m) => m.name);
  const unknown = await appliedButUnknown(db, known, applied);
  if (unknown.length > 0) {
    throw new Misconfigured('database-newer', { found: unknown.join(', ') });
  }
  const { error } = await migrator.migrateToLatest();
  if (error) throw error instanceof Error ? error : new Error('migration failed', { cause: error });
}

/** `getMigrations` lists only what this version knows; the table itself also names what it does not. */
async function appliedButUnknown(
  db: Db,
  known: ReadonlySet<string>,
  applied: readonly string[],
): Promise<string[]> {
  if (applied.length === 0) {
    const tables = await db.introspection.getTables({ withInternalKyselyTables: true });
    if (!tables.some((t) => t.name === 'kysely_migration')) return [];
  }
  const rows = await (db as unknown as Kysely<{ kysely_migration: { name: string } }>)
    .selectFrom('kysely_migration')
    .select('name')
    .execute();
  return rows.map((r) => r.name).filter((name) => !known.has(name));
}
