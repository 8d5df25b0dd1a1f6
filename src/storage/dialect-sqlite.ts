import Database from 'better-sqlite3';
import {
  CompiledQuery,
  type DatabaseConnection,
  type Driver,
  SqliteAdapter,
  type SqliteDatabase,
  SqliteDialect,
  type SqliteDialectConfig,
  SqliteDriver,
  type SqliteStatement,
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
  forUpdate: (query) => query,
  skipLocked: (query) => query,
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

/** Different texts kept; lists of values (`in (…)`) make more of them than there are queries. */
const STATEMENTS_MAX = 500;

/**
 * Keeps prepared statements by their text: the same few hundred queries run all day, and preparing one costs
 * more than running it. The least recently used one is forgotten first.
 */
export class KeptStatements implements SqliteDatabase {
  readonly #kept = new Map<string, SqliteStatement>();

  constructor(private readonly file: Database.Database) {}

  prepare(text: string): SqliteStatement {
    const statement: SqliteStatement = this.#kept.get(text) ?? this.file.prepare(text);
    this.#kept.delete(text);
    this.#kept.set(text, statement);
    if (this.#kept.size > STATEMENTS_MAX) {
      const [oldest] = this.#kept.keys();
      if (oldest !== undefined) this.#kept.delete(oldest);
    }
    return statement;
  }

  close(): void {
    this.#kept.clear();
    this.file.close();
  }
}

const CACHE_KIB = 65_536;
/** 32 MiB of 4 KiB pages; the file beside the database grows to about that. */
const CHECKPOINT_PAGES = 8_192;

/** Opens the file with the settings every promise rests on: WAL, FULL, foreign keys, a busy timeout. */
export function openSqliteFile(path: string): Database.Database {
  const file = new Database(path);
  file.pragma('auto_vacuum = incremental');
  file.pragma('journal_mode = WAL');
  file.pragma('synchronous = FULL');
  file.pragma('foreign_keys = ON');
  file.pragma('busy_timeout = 5000');
  // Indexes of a busy day stay in memory, and the same pages are copied into the file less often.
  file.pragma(`cache_size = -${CACHE_KIB}`);
  file.pragma(`wal_autocheckpoint = ${CHECKPOINT_PAGES}`);
  return file;
}
