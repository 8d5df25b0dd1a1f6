import { sql } from 'kysely';
import { formatInstant, type Instant } from '../formats/instant.js';
import type { CopyFacts } from './copy-facts.js';
import type { Reader } from './handles.js';
import { UNFINISHED } from './open-postgres.js';
import { openPostgresReader } from './open-reader.js';

/** One view of a database that another session can be given too, for as long as the work on it lasts. */
export interface SharedView {
  /** Name by which a session takes over the view. */
  readonly snapshot: string;
  /** When the view was taken, by the server's clock. */
  readonly at: string;
  readonly server: PostgresServer;
  /** Null when it is no database of a gateway, or one that a restore left unfinished. */
  readonly facts: CopyFacts | null;
}

export interface PostgresServer {
  /** As the server writes it, such as `15.4`. */
  readonly version: string;
  readonly major: number;
}

/** Takes a view of a database and keeps it until `work` is through; its owners go on writing beside it. */
export async function withSharedView<T>(
  url: string,
  work: (view: SharedView) => Promise<T>,
): Promise<T> {
  const reader = openPostgresReader(url);
  try {
    return await reader.snapshot(async (trx) => {
      const server = await postgresServer(trx);
      // The copy of a large database takes longer than a server may let a transaction rest or last.
      await sql`set local idle_in_transaction_session_timeout = 0`.execute(trx);
      if (server.major >= 17) await sql`set local transaction_timeout = 0`.execute(trx);
      const { rows } = await sql<{ snapshot: string; at: number }>`
        select pg_export_snapshot() as snapshot,
          (extract(epoch from now()) * 1000000)::int8 as at`.execute(trx);
      const { snapshot = '', at = 0 } = rows[0] ?? {};
      const facts = await copyFacts(trx);
      return await work({ snapshot, at: formatInstant(at as Instant), server, facts });
    });
  } finally {
    await reader.close();
  }
}

export async function postgresServer(reader: Reader): Promise<PostgresServer> {
  const { rows } = await sql<{ version: string; number: number }>`
    select current_setting('server_version') as version,
      current_setting('server_version_num')::int4 as number`.execute(reader);
  const { version = '', number = 0 } = rows[0] ?? {};
  return { version, major: Math.floor(number / 10_000) };
}

async function copyFacts(reader: Reader): Promise<CopyFacts | null> {
  const { rows: known } = await sql<{ known: boolean }>`
    select to_regclass('instance') is not null and to_regclass('audit_entry') is not null
      and to_regclass('kysely_migration') is not null
      and to_regclass(${UNFINISHED}) is null as known`.execute(reader);
  if (known[0]?.known !== true) return null;
  const instance = await reader.selectFrom('instance').select(['id', 'epoch']).executeTakeFirst();
  if (instance === undefined) return null;
  const { rows: migrations } = await sql<{ name: string }>`
    select name from kysely_migration order by name`.execute(reader);
  const site = await reader
    .selectFrom('site')
    .select('site')
    .orderBy('activated_at', 'desc')
    .limit(1)
    .executeTakeFirst();
  const trail = await reader
    .selectFrom('audit_entry')
    .select((eb) => [
      eb.fn.countAll<number>().as('entries'),
      eb.fn.max<number | null>('sequence').as('last'),
    ])
    .executeTakeFirstOrThrow();
  return {
    migrations: migrations.map(({ name }) => name),
    instance,
    site: site?.site ?? null,
    trail: { entries: Number(trail.entries), lastSequence: trail.last },
  };
}
