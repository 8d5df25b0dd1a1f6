import type { Kysely } from 'kysely';
import type { Tables } from './tables.js';

/** Rows that must stay as they were written: what may not happen to them, and by which exception. */
export interface RowGuard {
  readonly table: string;
  readonly action: 'update' | 'delete';
  /** Condition over `old` and `new`, in SQL both databases read; every row when left out. */
  readonly when?: string;
  readonly message: string;
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
  /** Column type of raw bytes. */
  bytesType(db: Kysely<unknown>): Promise<string>;
  /** Lets the database itself refuse a change. */
  guardRows(db: Kysely<unknown>, guard: RowGuard): Promise<void>;
}

/** The dialect behind a connection or transaction. */
export function dialectOf<Tables>(db: Kysely<Tables>): Dialect {
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
  direct(text: string): DirectStatement;
}

/** How a connection runs statements directly; null where it cannot. */
export function directQueriesOf(adapter: object): DirectQueries | null {
  return 'direct' in adapter ? (adapter as DirectQueries) : null;
}
