import { existsSync } from 'node:fs';
import Database from 'better-sqlite3';
import { Kysely, SqliteDialect } from 'kysely';
import { Misconfigured } from '../errors.js';
import { SharedPostgresDialect } from './dialect-postgres.js';
import type { Reader } from './handles.js';
import { openPool } from './postgres-pool.js';
import type { Tables } from './tables.js';

/** A database that is only read: of a running gateway, or a copy. Nothing is migrated, locked or written. */
export interface DatabaseReader {
  /** Runs `work` on one view of the database, whatever is committed meanwhile. */
  snapshot<T>(work: (reader: Reader) => Promise<T>): Promise<T>;
  close(): Promise<void>;
}

/** @throws Misconfigured `trail-unreadable` when there is no such file, or it is no database */
export function openSqliteReader(path: string): DatabaseReader {
  if (!existsSync(path)) {
    throw new Misconfigured('trail-unreadable', { found: `${path}: no such file` });
  }
  try {
    const database = new Database(path, { readonly: true, fileMustExist: true });
    database.pragma('schema_version');
    const db = new Kysely<Tables>({ dialect: new SqliteDialect({ database }) });
    return {
      snapshot: (work) => db.transaction().execute(work),
      close: () => db.destroy(),
    };
  } catch (cause) {
    const why = cause instanceof Error ? cause.message : String(cause);
    throw new Misconfigured('trail-unreadable', { found: `${path}: ${why}`, cause });
  }
}

export function openPostgresReader(url: string): DatabaseReader {
  const pool = openPool({
    url,
    connectionsMax: 1,
    applicationName: 'drumline reader',
    isBounded: false,
  });
  const db = new Kysely<Tables>({ dialect: new SharedPostgresDialect({ pool }) });
  return {
    snapshot: (work) =>
      db
        .transaction()
        .setIsolationLevel('repeatable read')
        .setAccessMode('read only')
        .execute(work),
    close: () => db.destroy(),
  };
}
