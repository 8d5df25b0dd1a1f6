import Database from 'better-sqlite3';
import {
  CompiledQuery,
  type DatabaseConnection,
  DefaultQueryExecutor,
  type DialectAdapter,
  type Driver,
  type Kysely,
  type QueryCompiler,
  type QueryResult,
  SqliteAdapter,
  type SqliteDatabase,
  SqliteDialect,
  type SqliteDialectConfig,
  SqliteDriver,
  type SqliteStatement,
  sql,
  Transaction,
} from 'kysely';
import type { Dialect, DirectQueries, DirectStatement, Turn } from './dialect.js';
import { COPIED_AT_COMMIT_PAGES, type LogCopy } from './log-copy.js';
import type { Tables } from './tables.js';
import type { WalFlush } from './wal-flush.js';

const sqlite: Dialect = {
  name: 'sqlite',
  isShared: false,
  hasTable: async (db, name) => {
    const { rows } = await sql`
      select 1 from sqlite_master where type = 'table' and name = ${name}`.execute(db);
    return rows.length > 0;
  },
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
  numberedKey: 'integer primary key',
  onChange: async (db, { name, table, event, columns, when, run }) => {
    const condition = when === undefined ? '' : `when ${when}`;
    const of = columns === undefined ? '' : `of ${columns.join(', ')}`;
    await sql
      .raw(`create trigger ${name} after ${event} ${of} on ${table} ${condition} begin ${run}; end`)
      .execute(db);
  },
  // One process takes them in, by one clock.
  arrivalOrder: ['received_at', 'id'],
  // Bundles are never deleted, so the next row always has the highest.
  arrivalNumber: 'bundle.rowid',
  numberArrivals: () => Promise.resolve(),
  forUpdate: (query) => query,
  skipLocked: (query) => query,
};

/**
 * Kysely's adapter says SQLite has no transactional DDL, which it has: without this a failing migration
 * leaves its first tables behind.
 */
class TransactionalSqliteAdapter extends SqliteAdapter implements DirectQueries {
  readonly dialect = sqlite;

  constructor(private readonly statements: KeptStatements) {
    super();
  }

  mayRunDirectly(reader: Kysely<Tables>): boolean {
    const executor = reader.getExecutor();
    if (executor instanceof UnitExecutor) return executor.checkOpen();
    return !reader.isTransaction && !this.statements.isInTransaction;
  }

  whenDurable(reader: Kysely<Tables>): Promise<void> | null {
    if (reader.getExecutor() instanceof UnitExecutor) return null;
    return this.statements.flush.whenFlushed();
  }

  direct(text: string): DirectStatement {
    return this.statements.direct(text);
  }

  restAfter(reader: Kysely<Tables>): Promise<void> | null {
    const executor = reader.getExecutor();
    return executor instanceof UnitExecutor ? executor.rest() : null;
  }

  override get supportsTransactionalDdl(): boolean {
    return true;
  }
}

/**
 * Takes the write lock when a transaction begins, so that what it reads cannot change under it, and answers when what
 * was seen and written is on the disk. The next one may have the connection before that.
 */
class ImmediateSqliteDriver extends SqliteDriver {
  readonly #flush: WalFlush;

  constructor(config: SqliteDialectConfig & { readonly database: KeptStatements }) {
    super(config);
    this.#flush = config.database.flush;
  }

  override async releaseConnection(): Promise<void> {
    await super.releaseConnection();
    await this.#flush.whenFlushed();
  }

  override async beginTransaction(connection: DatabaseConnection): Promise<void> {
    await connection.executeQuery(CompiledQuery.raw('begin immediate'));
  }
}

export class TransactionalSqliteDialect extends SqliteDialect {
  readonly #config: SqliteDialectConfig & { readonly database: KeptStatements };

  constructor(config: SqliteDialectConfig & { readonly database: KeptStatements }) {
    super(config);
    this.#config = config;
  }

  override createAdapter(): SqliteAdapter {
    return new TransactionalSqliteAdapter(this.#config.database);
  }

  override createDriver(): Driver {
    return new ImmediateSqliteDriver(this.#config);
  }
}

/**
 * Time that a unit may take before everything else of the process gets a turn. Its transaction stays open meanwhile:
 * who reads beside it waits for its end, as ever.
 */
const REST_AFTER_MS = 8;

/**
 * Runs the queries of one unit of a group commit on the connection that the commit holds, without the turns
 * that taking and giving back a connection cost. Refuses what comes after the unit has ended.
 */
class UnitExecutor extends DefaultQueryExecutor {
  #isOpen = true;

  constructor(
    compiler: QueryCompiler,
    adapter: DialectAdapter,
    private readonly statements: KeptStatements,
    private readonly turn: Turn,
  ) {
    super(compiler, adapter, {
      provideConnection: () => Promise.reject(new Error('a unit runs single queries')),
    });
  }

  close(): void {
    this.#isOpen = false;
  }

  checkOpen(): true {
    if (!this.#isOpen) throw new Error('the transaction has ended');
    return true;
  }

  rest(): Promise<void> | null {
    if (performance.now() - this.turn.since < REST_AFTER_MS) return null;
    return new Promise((resolve) => {
      setImmediate(() => {
        this.turn.since = performance.now();
        resolve();
      });
    });
  }

  override executeQuery<R>(query: CompiledQuery): Promise<QueryResult<R>> {
    try {
      this.checkOpen();
      const answer = this.#run<R>(query);
      const rest = this.rest();
      return rest === null ? Promise.resolve(answer) : rest.then(() => answer);
    } catch (error) {
      return Promise.reject(error);
    }
  }

  #run<R>(query: CompiledQuery): QueryResult<R> {
    const statement = this.statements.prepare(query.sql);
    if (statement.reader) return { rows: statement.all(query.parameters) as R[] };
    const { changes } = statement.run(query.parameters);
    return { rows: [], numAffectedRows: BigInt(changes) };
  }
}

/** A transaction for one unit of a group commit, and how it ends. */
export interface UnitTransaction {
  readonly trx: Transaction<Tables>;
  close(): void;
}

/** Opens the transactions of units. */
export function unitsOn(
  db: Kysely<Tables>,
  dialect: TransactionalSqliteDialect,
  statements: KeptStatements,
): (turn: Turn) => UnitTransaction {
  const driver = dialect.createDriver();
  const compiler = dialect.createQueryCompiler();
  const { adapter } = db.getExecutor();
  return (turn) => {
    const executor = new UnitExecutor(compiler, adapter, statements, turn);
    const trx = new Transaction<Tables>({ config: { dialect }, dialect, driver, executor });
    return { trx, close: () => executor.close() };
  };
}

/** As the driver ends a transaction. SQLite counts it among the statements that write nothing themselves. */
const COMMIT = 'commit';

/** Different texts kept; lists of values (`in (…)`) make more of them than there are queries. */
const STATEMENTS_MAX = 500;

/**
 * Keeps prepared statements by their text: the same few hundred queries run all day, and preparing one costs
 * more than running it. The least recently used one is forgotten first.
 */
export class KeptStatements implements SqliteDatabase {
  readonly #kept = new Map<string, SqliteStatement>();

  constructor(
    private readonly file: Database.Database,
    /** Told of every commit, as `log` is. */
    readonly flush: WalFlush,
    private readonly log?: Pick<LogCopy, 'noteCommit'>,
  ) {}

  prepare(text: string): SqliteStatement {
    const statement = this.#kept.get(text) ?? this.#noting(text);
    this.#kept.delete(text);
    this.#kept.set(text, statement);
    if (this.#kept.size > STATEMENTS_MAX) {
      const [oldest] = this.#kept.keys();
      if (oldest !== undefined) this.#kept.delete(oldest);
    }
    return statement;
  }

  get isInTransaction(): boolean {
    return this.file.inTransaction;
  }

  /** A statement that its caller keeps. */
  direct(text: string): DirectStatement {
    const statement = this.#noting(text);
    return statement.reader
      ? (parameters) => ({ rows: statement.all(parameters), written: 0 })
      : (parameters) => ({ rows: [], written: Number(statement.run(parameters).changes) });
  }

  /** A statement that is noted as a commit where it is one: the end of a transaction, or a write outside of any. */
  #noting(text: string): SqliteStatement {
    const statement = this.file.prepare(text);
    if (statement.readonly && text !== COMMIT) return statement;
    const noted = <T>(answer: T): T => {
      if (this.file.inTransaction) return answer;
      this.flush.noteCommit();
      this.log?.noteCommit();
      return answer;
    };
    return {
      reader: statement.reader,
      all: (parameters) => noted(statement.all(parameters)),
      run: (parameters) => noted(statement.run(parameters)),
      iterate: () => {
        throw new Error('what writes is not read row by row');
      },
    };
  }

  close(): void {
    this.#kept.clear();
    this.file.close();
  }
}

const CACHE_KIB = 65_536;

/**
 * Opens the file with the settings every promise rests on: WAL, foreign keys, a busy timeout, and a log whose flush is
 * left to `WalFlush`. SQLite still flushes it before it copies from it, and the database before it begins it anew.
 */
export function openSqliteFile(path: string): Database.Database {
  const file = new Database(path);
  file.pragma('auto_vacuum = incremental');
  file.pragma('journal_mode = WAL');
  file.pragma('synchronous = NORMAL');
  file.pragma('foreign_keys = ON');
  file.pragma('busy_timeout = 5000');
  // What a savepoint would have to undo stays in memory; otherwise each larger one makes a file of its own.
  file.pragma('temp_store = MEMORY');
  // Indexes of a busy day stay in memory, and the same pages are copied into the file less often.
  file.pragma(`cache_size = -${CACHE_KIB}`);
  file.pragma(`wal_autocheckpoint = ${COPIED_AT_COMMIT_PAGES}`);
  return file;
}
