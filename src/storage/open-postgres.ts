import { setTimeout as wait } from 'node:timers/promises';
import { Kysely, type PostgresPool, sql, type Transaction } from 'kysely';
import pg from 'pg';
import { Misconfigured } from '../errors.js';
import { type Instant, instantFromMillis, msBetween } from '../formats/instant.js';
import { DatabaseClock, OFFSET_MS_MAX } from './database-clock.js';
import { PlaceWatch, postgresPlace } from './database-place.js';
import { SharedPostgresDialect } from './dialect-postgres.js';
import { migrateToLatest, pendingMigrations, refuseOlder } from './migrate.js';
import { openPool } from './postgres-pool.js';
import { PostgresStatistics } from './postgres-statistics.js';
import type { StorageAlert } from './storage-alert.js';
import type { Tables } from './tables.js';
import { noteConnection } from './transaction-connection.js';
import { retrying } from './transaction-retry.js';

/** Earliest release with the column compression the tables ask for. */
const VERSION_MIN = 140_000;
const CONNECTIONS_MAX = 10;
/** For stops, which must not wait until others give a connection back: one that looks, one that writes. */
const RESERVED_CONNECTIONS_MAX = 2;
export const MIGRATION_WAIT_MS = 600_000;
/** A table that stands in a database for as long as a restore into it has not ended. */
export const UNFINISHED = 'drumline_restoring';
const FOLLOW_EVERY_MS = 2_000;
/** A look costs one small query; a table that grows fast is planned for wrongly for no longer than this. */
const STATISTICS_EVERY_MS = 5_000;

export interface PostgresOptions {
  readonly url: string;
  readonly alert: (alert: StorageAlert) => void;
  /** False: tables of a version before are refused, not brought to this one; true when left out. */
  readonly mayMigrate?: boolean;
  /** This computer's wall clock, to be compared with the database's. */
  readonly wallMillis?: () => number;
  /** Longest wait for another process that migrates; a migration of a large database takes minutes. */
  readonly migrationWaitMs?: number;
  /** Longest wait for an answer at the start, but for migrations; that of every pool when left out. */
  readonly answerMs?: number;
}

/**
 * Opens (and migrates) a PostgreSQL database that several processes may work on at once.
 *
 * @throws Misconfigured `database-unreachable`, `database-unsuitable`, `restore-unfinished`, `database-newer`,
 *   `database-older` or `database-migration-failed`.
 */
export async function openPostgres(options: PostgresOptions) {
  const { url, alert, migrationWaitMs: waitMs = MIGRATION_WAIT_MS, answerMs } = options;
  const facts = await prepare(url, { waitMs, answerMs, mayMigrate: options.mayMigrate ?? true });
  if (!facts.isDurable) {
    alert({ code: 'database-not-durable', found: 'fsync or full_page_writes is off' });
  }
  const watch = new PlaceWatch();
  const open = (applicationName: string, connectionsMax: number) =>
    transactingOn(
      kyselyOn(
        openPool({
          url,
          connectionsMax,
          applicationName,
          isBounded: true,
          serverSettings: [
            // A claim's estimated cost lets the server compile it, for a hundred times what running it takes.
            'jit=off',
            // Planning a claim for the values at hand takes longer than running it, and no plan here depends on them.
            'plan_cache_mode=force_generic_plan',
            // A stronger setting of the server's own is left as it is; a weaker one would take back the 202.
            ...(facts.commitsAtOnce ? [] : ['synchronous_commit=on']),
          ],
          onOpened: (connection) => watch.look((text) => connection.query(text)),
          onLost: (error) => alert({ code: 'database-connection-lost', found: error.message }),
        }),
      ),
    );
  const { db, transact } = open('drumline', CONNECTIONS_MAX);
  const reserved = open('drumline stops', RESERVED_CONNECTIONS_MAX);
  const clock = await DatabaseClock.open({
    read: () => readClock(db),
    onStep: (ms) => alert({ code: 'database-clock-stepped', found: `${Math.round(ms)} ms` }),
  });
  compareClocks(clock.now(), options.wallMillis ?? Date.now, alert);
  if (!facts.isTidied) {
    alert({ code: 'database-not-tidied', found: 'autovacuum or track_counts is off' });
  }
  const readPlace = () => postgresPlace((text) => sql.raw(text).execute(db));
  const place = await readPlace();
  // A reading that fails is made up for by the next; work on the database fails by itself meanwhile.
  const following = setInterval(() => void clock.follow().catch(() => undefined), FOLLOW_EVERY_MS);
  following.unref();
  const statistics = new PostgresStatistics(db);
  const looking = setInterval(
    () => void statistics.round().catch(() => undefined),
    STATISTICS_EVERY_MS,
  );
  looking.unref();
  return {
    db,
    clock,
    place,
    readPlace,
    isElsewhere: () => watch.isElsewhere,
    transact,
    reserved,
    close: async () => {
      clearInterval(following);
      clearInterval(looking);
      await reserved.db.destroy();
      await db.destroy();
    },
  };
}

/** Transactions run again where another one stood in their way, see `retrying`. */
export function transactingOn(db: Kysely<Tables>) {
  return {
    db,
    transact: <T>(work: (trx: Transaction<Tables>) => Promise<T>): Promise<T> =>
      retrying(
        (reached) =>
          db
            .transaction()
            .setIsolationLevel('read committed')
            .execute(async (trx) => {
              await noteConnection(trx);
              reached('working');
              const answer = await work(trx);
              reached('committing');
              return answer;
            }),
        (ms) => wait(ms),
        Math.random,
      ),
  };
}

export function kyselyOn(pool: PostgresPool): Kysely<Tables> {
  return new Kysely<Tables>({ dialect: new SharedPostgresDialect({ pool }) });
}

interface ServerFacts {
  /** What a commit wrote survives a power loss. */
  readonly isDurable: boolean;
  /** A commit is answered after its flush. */
  readonly commitsAtOnce: boolean;
  /** The server clears away what was replaced and deleted. */
  readonly isTidied: boolean;
}

interface Migrating {
  readonly waitMs: number;
  readonly mayMigrate: boolean;
}

/**
 * Looks at the server, and migrates where there is something to migrate. The usual start, with nothing to do and nobody in
 * the way, asks only what has to be answered soon: a connection that goes silent meanwhile ends it.
 */
async function prepare(
  url: string,
  how: Migrating & { readonly answerMs: number | undefined },
): Promise<ServerFacts> {
  const { answerMs } = how;
  const db = kyselyOn(
    openPool({
      url,
      connectionsMax: 2,
      applicationName: 'drumline start',
      isBounded: true,
      ...(answerMs === undefined ? {} : { answerMs }),
    }),
  );
  try {
    const facts = await inspectServer(db, url);
    const isMigrated = await isReady(db).catch((cause: unknown) => {
      throw isOfConnection(cause) ? unreachable(url, cause) : cause;
    });
    if (!isMigrated) await migrateBehindLock(url, how);
    return facts;
  } finally {
    await db.destroy();
  }
}

/** SQLSTATE classes connection exception and operator intervention (PostgreSQL documentation, appendix A). */
function isOfConnection(error: unknown): boolean {
  if (error instanceof Misconfigured) return false;
  return !(error instanceof pg.DatabaseError) || /^(08|57)/.test(error.code ?? '');
}

/** Nobody migrates or restores, and nothing is left to migrate. */
async function isReady(db: Kysely<Tables>): Promise<boolean> {
  return await db.transaction().execute(async (holder) => {
    const { rows } = await sql<{ isFree: boolean }>`
      select pg_try_advisory_xact_lock_shared(hashtextextended('drumline:migration', 0)) as "isFree"`.execute(
      holder,
    );
    if (rows[0]?.isFree !== true) return false;
    await refuseUnfinished(holder);
    return (await pendingMigrations(holder)).length === 0;
  });
}

/** Behind a lock that only one starting process holds, for as long as that takes. */
async function migrateBehindLock(url: string, { waitMs, mayMigrate }: Migrating): Promise<void> {
  const db = kyselyOn(
    openPool({ url, connectionsMax: 2, applicationName: 'drumline migration', isBounded: false }),
  );
  try {
    await db.connection().execute(async (holder) => {
      await lockMigration(holder, waitMs);
      await refuseUnfinished(holder);
      if (!mayMigrate) await refuseOlder(holder);
      await migrateToLatest(db);
    });
  } finally {
    // Ends the session, and with it the lock.
    await db.destroy();
  }
}

/** Behind the lock: a restore that is still running holds it. */
async function refuseUnfinished(holder: Kysely<Tables>): Promise<void> {
  const { rows } = await sql<{ database: string; unfinished: boolean }>`
    select current_database() as database,
      to_regclass(${UNFINISHED}) is not null as unfinished`.execute(holder);
  const [row] = rows;
  if (row?.unfinished === true) {
    throw new Misconfigured('restore-unfinished', { found: `the database ${row.database}` });
  }
}

export async function lockMigration(holder: Kysely<Tables>, waitMs: number): Promise<void> {
  await sql.raw(`set lock_timeout = ${waitMs}`).execute(holder);
  await sql`select pg_advisory_lock(hashtextextended('drumline:migration', 0))`
    .execute(holder)
    .catch((cause: unknown) => {
      if (!isLockTimeout(cause)) throw cause;
      throw new Misconfigured('database-migration-failed', {
        found: `another process has been migrating it for more than ${waitMs / 1000} s`,
        cause,
      });
    });
}

/** SQLSTATE lock_not_available (PostgreSQL documentation, appendix A). */
function isLockTimeout(error: unknown): boolean {
  return error instanceof Error && 'code' in error && error.code === '55P03';
}

/** @throws Misconfigured `database-unreachable` or `database-unsuitable` */
export async function inspectServer(db: Kysely<Tables>, url: string): Promise<ServerFacts> {
  const found = await sql<{
    version: number;
    version_text: string;
    encoding: string;
    in_recovery: boolean;
    commits: string;
    durable: boolean;
    tidied: boolean;
  }>`
    select current_setting('server_version_num')::int4 as version,
      current_setting('server_version') as version_text,
      current_setting('server_encoding') as encoding,
      pg_is_in_recovery() as in_recovery,
      current_setting('synchronous_commit') as commits,
      current_setting('fsync')::bool and current_setting('full_page_writes')::bool as durable,
      current_setting('autovacuum')::bool and current_setting('track_counts')::bool as tidied`
    .execute(db)
    .catch((cause: unknown) => {
      throw unreachable(url, cause);
    });
  const [server] = found.rows;
  if (server === undefined) throw new Error('the server did not say what it is');
  refuseUnsuitable({
    version: server.version,
    versionText: server.version_text,
    encoding: server.encoding,
    isReplica: server.in_recovery,
  });
  return {
    isDurable: server.durable,
    commitsAtOnce: !['off', 'local'].includes(server.commits),
    isTidied: server.tidied,
  };
}

function unreachable(url: string, cause: unknown): Misconfigured {
  const why = cause instanceof Error ? cause.message : String(cause);
  return new Misconfigured('database-unreachable', {
    found: `${withoutPassword(url)}: ${why}`,
    cause,
  });
}

/**
 * Refuses a server on which the promises would not hold.
 *
 * @throws Misconfigured `database-unsuitable`, naming what was found against what is needed.
 */
export function refuseUnsuitable(server: {
  readonly version: number;
  readonly versionText: string;
  readonly encoding: string;
  readonly isReplica: boolean;
}): void {
  const found: string[] = [];
  if (server.version < VERSION_MIN) {
    found.push(`PostgreSQL ${server.versionText}, expected 14 or later`);
  }
  if (server.encoding !== 'UTF8') found.push(`encoding ${server.encoding}, expected UTF8`);
  if (server.isReplica) found.push('a replica that only reads, expected the primary server');
  if (found.length > 0) throw new Misconfigured('database-unsuitable', { found: found.join('; ') });
}

export async function readClock(db: Kysely<Tables>): Promise<Instant> {
  const { rows } = await sql<{ now: number }>`
    select (extract(epoch from clock_timestamp()) * 1000000)::int8 as now`.execute(db);
  return (rows[0]?.now ?? 0) as Instant;
}

function compareClocks(
  database: Instant,
  wallMillis: () => number,
  alert: PostgresOptions['alert'],
): void {
  const offMs = Math.round(msBetween(instantFromMillis(wallMillis()), database));
  if (Math.abs(offMs) <= OFFSET_MS_MAX) return;
  const which = offMs > 0 ? 'ahead of' : 'behind';
  alert({
    code: 'database-clock-off',
    found: `the database is ${Math.abs(offMs)} ms ${which} this computer`,
  });
}

function withoutPassword(url: string): string {
  try {
    const parsed = new URL(url);
    return `${parsed.protocol}//${parsed.host}${parsed.pathname}`;
  } catch {
    // Whatever it is, it may hold a password.
    return 'DATABASE_URL';
  }
}
