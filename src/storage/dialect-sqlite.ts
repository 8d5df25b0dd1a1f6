import Database from 'better-sqlite3';
import { SqliteAdapter, SqliteDialect } from 'kysely';

/** Column type of raw bytes. */
export const blobType = 'blob';

/**
 * Kysely's adapter says SQLite has no transactional DDL, which it has: without this a failing migration
 * leaves its first tables behind.
 */
class TransactionalSqliteAdapter extends SqliteAdapter {
  override get supportsTransactionalDdl(): boolean {
    return true;
  }
}

export class TransactionalSqliteDialect extends SqliteDialect {
  override createAdapter(): SqliteAdapter {
    return new TransactionalSqliteAdapter();
  }
}

/** Opens the file with the settings every promise rests on: WAL, FULL, foreign keys, a busy timeout. */
export function openSqliteFile(path: string): Database.Database {
  const file = new Database(path);
  file.pragma('auto_vacuum = incremental');
  file.pragma('journal_mode = WAL');
  file.pragma('synchronous = FULL');
  file.pragma('foreign_keys = ON');
  file.pragma('busy_timeout = 5000');
  return file;
}
