import type { Kysely, SelectQueryBuilder } from 'kysely';
import type { Tables } from './tables.js';

/** Rows that must stay as they were written: what may not happen to them, and by which exception. */
export interface RowGuard {
  readonly table: string;
  readonly action: 'update' | 'delete';
  /** Condition over `old` and `new`, in SQL both databases read; every row when left out. */
  readonly when?: string;
  readonly message: string;
}

/** A statement that the database itself runs after each row that a change writes. */
export interface RowReaction {
  /** Unique among the triggers of the database. */
  readonly name: string;
  readonly table: string;
  readonly event: 'insert' | 'update' | 'delete';
  /** Of an update: only when one of these is set. */
  readonly columns?: readonly string[];
  /** Condition over `old` and `new`, in SQL both databases read. */
  readonly when?: string;
  /** One statement over `old` and `new`, in SQL both databases read. */
  readonly run: string;
}

/**
 * What the two databases do differently, beyond what Kysely hides. Everything else is one set of migrations
 * and queries; `dialect-sqlite.ts` and `dialect-postgres.ts` are the only implementations.
 */
export interface Dialect {
  readonly name: 'sqlite' | 'postgresql';
  /**
   * True where several processes work on one database: rows are then locked one by one and every decision
   * reads again behind its lock. False where one process owns the file and a write transaction holds all of it.
   */
  readonly isShared: boolean;
  /** Whether it has a table of this name, as its queries would find it. */
  hasTable<DB>(db: Kysely<DB>, name: string): Promise<boolean>;
  /** Column type of raw bytes. */
  bytesType(db: Kysely<unknown>): Promise<string>;
  /** Lets the database itself refuse a change. */
  guardRows(db: Kysely<unknown>, guard: RowGuard): Promise<void>;
  /** Type of a primary key that the database counts up by itself. */
  readonly numberedKey: string;
  /** Lets the database itself run a statement with every such change, in the transaction of the change. */
  onChange(db: Kysely<unknown>, reaction: RowReaction): Promise<void>;
  /** Columns of `bundle` that say which came first, as far as senders can know it. */
  readonly arrivalOrder: readonly string[];
  /** Number of a row of `bundle` that no clock gives: of those committed by a moment none is above the highest. */
  readonly arrivalNumber: string;
  /** Gives bundles the columns of `arrivalOrder`, where they need more than they have. */
  numberArrivals(db: Kysely<unknown>): Promise<void>;
  /** See `forUpdate`. */
  forUpdate<DB, TB extends keyof DB, O>(
    query: SelectQueryBuilder<DB, TB, O>,
    of: TB & string,
  ): SelectQueryBuilder<DB, TB, O>;
  /** See `skipLocked`. */
  skipLocked<DB, TB extends keyof DB, O>(
    query: SelectQueryBuilder<DB, TB, O>,
    of: TB & string,
  ): SelectQueryBuilder<DB, TB, O>;
}

/**
 * Locks the rows that a query takes from one of its tables until the transaction ends, after waiting for those
 * that have them. Only what a later statement reads is sure to be what the lock protects.
 */
export function forUpdate<DB, TB extends keyof DB, O>(
  db: Executing,
  query: SelectQueryBuilder<DB, TB, O>,
  of: TB & string,
): SelectQueryBuilder<DB, TB, O> {
  return dialectOf(db).forUpdate(query, of);
}

/**
 * Locks the rows that a query takes from one of its tables until the transaction ends, and passes over those
 * that another transaction has locked, so that two who look for work never wait for each other. Where one
 * process owns the file its write transaction holds every row already.
 */
export function skipLocked<DB, TB extends keyof DB, O>(
  db: Executing,
  query: SelectQueryBuilder<DB, TB, O>,
  of: TB & string,
): SelectQueryBuilder<DB, TB, O> {
  return dialectOf(db).skipLocked(query, of);
}

/** A connection, a transaction or a pool of connections, whatever its tables. */
interface Executing {
  getExecutor(): unknown;
}

/** The dialect behind a connection or transaction. */
export function dialectOf(db: Executing): Dialect {
  const { adapter } = db.getExecutor() as { readonly adapter: { readonly dialect?: Dialect } };
  if (adapter.dialect === undefined) throw new Error('the database was not opened by openDatabase');
  return adapter.dialect;
}

/** Runs one compiled statement at once and returns what it found and wrote. */
export type DirectStatement = (parameters: readonly unknown[]) => {
  readonly rows: readonly unknown[];
  readonly written: number;
};

/**
 * A database in the process itself, whose statements take no turn of the event loop: what is compiled once
 * runs on it without the layers that wait for a connection.
 */
export interface DirectQueries {
  /**
   * True for a unit of a group commit, and for anybody while no transaction is open: otherwise a reader would
   * see what is not committed.
   */
  mayRunDirectly(reader: Kysely<Tables>): boolean;
  /**
   * Resolves when all that a query of this reader may have seen is on the disk; null when it is, and within a
   * transaction, which is answered for at its end.
   */
  whenDurable(reader: Kysely<Tables>): Promise<void> | null;
  direct(text: string): DirectStatement;
  /** For a unit that has kept the process to itself for too long: resolves once everything else has had its turn. */
  restAfter(reader: Kysely<Tables>): Promise<void> | null;
}

/** Since when nothing else of the process has had a turn, on the clock of `performance.now`. */
export interface Turn {
  since: number;
}

/** How a connection runs statements directly; null where it cannot. */
export function directQueriesOf(adapter: object): DirectQueries | null {
  return 'direct' in adapter ? (adapter as DirectQueries) : null;
}
