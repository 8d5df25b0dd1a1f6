import { type Kysely, sql } from 'kysely';
import { Misconfigured } from '../errors.js';
import type { Instant } from '../formats/instant.js';
import type { Trx } from './handles.js';
import { migrateToLatest } from './migrate.js';
import {
  inspectServer,
  kyselyOn,
  lockMigration,
  MIGRATION_WAIT_MS,
  readClock,
  UNFINISHED,
} from './open-postgres.js';
import { type PostgresServer, postgresServer } from './postgres-copy.js';
import { openPool } from './postgres-pool.js';
import type { Tables } from './tables.js';

export interface Filling<T> {
  /** Puts the tables and rows there, all or nothing, over connections of its own. */
  readonly fill: (server: PostgresServer) => Promise<void>;
  /** Runs on the filled database, brought to this version's tables, before any process can start on it. */
  readonly mark: (trx: Trx, now: Instant) => Promise<T>;
}

const NAMED_MAX = 5;

/**
 * Fills an empty database behind the lock that every starting process waits at, so that none sees it before it
 * was marked. Killed in between, it leaves a note there that no process starts beside.
 *
 * @throws Misconfigured `restore-not-empty` when the database holds anything or processes work on it,
 *   `database-unreachable`, `database-unsuitable`, or what migrating it says.
 */
export async function fillEmptyDatabase<T>(url: string, filling: Filling<T>): Promise<T> {
  const db = kyselyOn(
    openPool({ url, connectionsMax: 2, applicationName: 'drumline restore', isBounded: false }),
  );
  try {
    await inspectServer(db, url);
    return await db.connection().execute(async (holder) => {
      await sql`set idle_session_timeout = 0`.execute(holder);
      await lockMigration(holder, MIGRATION_WAIT_MS);
      await refuseUnlessEmpty(holder);
      await noteUnfinished(holder);
      await filling.fill(await postgresServer(holder));
      await migrateToLatest(db);
      const now = await readClock(db);
      return await holder.transaction().execute(async (trx) => {
        const marked = await filling.mark(trx, now);
        await sql`drop table ${sql.table(UNFINISHED)}`.execute(trx);
        return marked;
      });
    });
  } finally {
    await db.destroy();
  }
}

async function refuseUnlessEmpty(holder: Kysely<Tables>): Promise<void> {
  // What an extension brought is no content of anybody's, and a restore that failed left its note.
  const { rows } = await sql<{ name: string; database: string; at_work: number }>`
    select current_database() as database,
      (select count(*) from pg_stat_activity a where a.datname = current_database()
        and a.application_name in ('drumline', 'drumline stops'))::int4 as at_work,
      coalesce((select string_agg(found.name, ', ') from (
        select n.nspname || '.' || c.relname as name
        from pg_class c join pg_namespace n on n.oid = c.relnamespace
        where c.relkind in ('r', 'p', 'v', 'm', 'S', 'f')
          and n.nspname not in ('pg_catalog', 'information_schema')
          and n.nspname !~ '^pg_(toast|temp)' and c.relname <> ${sql.lit(UNFINISHED)}
          and not exists (select from pg_depend d where d.classid = 'pg_class'::regclass
            and d.objid = c.oid and d.deptype = 'e')
        order by c.relkind = 'r' desc, name limit ${sql.lit(NAMED_MAX)}) as found), '') as name`.execute(
    holder,
  );
  const { database = '', name = '', at_work = 0 } = rows[0] ?? {};
  if (name !== '') {
    throw new Misconfigured('restore-not-empty', {
      found: `the database ${database} with ${name} and perhaps more`,
    });
  }
  if (at_work > 0) {
    throw new Misconfigured('restore-not-empty', {
      found: `the database ${database}, which gateways or workers are connected to (${at_work} connections)`,
    });
  }
}

/** Says, from before the first table until it is marked, that what is there must not be started on. */
async function noteUnfinished(holder: Kysely<Tables>): Promise<void> {
  const note = sql`create table if not exists ${sql.table(UNFINISHED)} ()`;
  await note.execute(holder).catch((cause: unknown) => {
    const why = cause instanceof Error ? cause.message : String(cause);
    throw new Misconfigured('restore-failed', { found: why, cause });
  });
}
