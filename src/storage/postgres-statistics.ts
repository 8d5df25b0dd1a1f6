import { type Kysely, sql } from 'kysely';
import type { Tables } from './tables.js';

/** Below this every plan is as good as any other. */
const ROWS_MIN = 100;
/** What the planner knows of a table is renewed when it has grown so many times. */
const GROWN_TIMES = 4;

/** Rows of a table, as the server counts them. */
export interface TableSize {
  readonly name: string;
  readonly rows: number;
  /** Rows when the server last looked at what is in it; null when it never did. */
  readonly lookedAtRows: number | null;
}

/**
 * Has the server look at what is in its tables (`analyze`), as they grow.
 *
 * A table that nobody looked at is planned for as if `site` singled out a two-hundredth of it: then every delivery of
 * the site is read for the few of one receipt, while its lock is held. The server's own round comes once a minute where
 * it is switched on; a first busy hour, or a restore, is minutes of that. Each look plans every kept statement anew, so
 * a table is looked at again when it has grown fourfold and not before; the rest is left to the server.
 */
export class PostgresStatistics {
  /** Rows at the last try, by table: a table that belongs to another role is refused again and again. */
  readonly #triedAt = new Map<string, number>();
  #running: Promise<void> | null = null;

  constructor(private readonly db: Kysely<Tables>) {}

  /** One round; none beside one that is still running. Rejects when the server does. */
  round(): Promise<void> {
    this.#running ??= this.#round().finally(() => {
      this.#running = null;
    });
    return this.#running;
  }

  async #round(): Promise<void> {
    for (const table of await tableSizes(this.db)) {
      if (!isOutgrown(table, this.#triedAt.get(table.name) ?? null)) continue;
      this.#triedAt.set(table.name, table.rows);
      // Another process that has it in hand does the same.
      await sql`analyze (skip_locked) ${sql.table(table.name)}`.execute(this.db);
    }
  }
}

/** @param triedAtRows rows when this process last asked for a look; null when it never did */
export function isOutgrown(table: TableSize, triedAtRows: number | null): boolean {
  if (table.rows < ROWS_MIN) return false;
  const known = Math.max(table.lookedAtRows ?? 0, triedAtRows ?? 0);
  return table.rows >= known * GROWN_TIMES;
}

/** -1 rows in `pg_class` stand for a table that nobody has looked at (PostgreSQL documentation, 53.11 pg_class; 14 on). */
async function tableSizes(db: Kysely<Tables>): Promise<readonly TableSize[]> {
  const { rows } = await sql<TableSize>`
    select s.relname as name, s.n_live_tup as rows,
      case when c.reltuples < 0 then null else c.reltuples::int8 end as "lookedAtRows"
    from pg_stat_user_tables s join pg_class c on c.oid = s.relid
    where s.schemaname = current_schema()`.execute(db);
  return rows;
}
