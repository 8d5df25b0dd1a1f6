import Database from 'better-sqlite3';
import {
  CompiledQuery,
  type DatabaseConnection,
  type Driver,
  SqliteAdapter,
  SqliteDialect,
  type SqliteDialectConfig,
  SqliteDriver,
  sql,
} from 'kysely';
import type { Dialect } from './dialect.js';

const sqlite: Dialect = {
  name: 'sqlite',
  isShared: false,
  bytesType: () => Promise.resolve('blob'),
  guardRows: async (db, { table, action, when, message }) => {
    const condition = when === undefined ? '' : `when ${when}`;
    await sql
      .raw(
        `create trigger ${table}_no_${action} before ${action} on ${table} ${condition}
         begin select raise(abort, '${message}'); end`,
      )
      .execute(db);
  },
};

/**
 * Kysely's adapter says SQLite has no transactional DDL, which it has: without this a failing migration
 * leaves its first tables behind.
 */
class TransactionalSqliteAdapter extends SqliteAdapter {
  readonly dialect = sqlite;

  override get supportsTransactionalDdl(): boolean {
    return true;
  }
}

/** Takes the write lock when a transaction begins, so that what it reads cannot change under it. */
class ImmediateSqliteDriver extends SqliteDriver {
  override async beginTransaction(connection: DatabaseConnection): Promise<void> {
    await connection.executeQuery(CompiledQuery.raw('begin immediate'));
  }
}

export class TransactionalSqliteDialect extends SqliteDialect {
  readonly #config: SqliteDialectConfig;

  constructor(config: SqliteDialectConfig) {
    super(config);
    this.#config = config;
  }

  override createAdapter(): SqliteAdapter {
    return new TransactionalSqliteAdapter();
  }

  override createDriver(): Driver {
    return new ImmediateSqliteDriver(this.#config);
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
