import type { Kysely } from 'kysely';

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
