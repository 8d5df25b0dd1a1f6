import { randomBytes } from 'node:crypto';
import pg from 'pg';
import { TcpProxy } from './tcp-proxy.js';

/**
 * The PostgreSQL server that tests make databases of their own on: `TEST_DATABASE_URL`, by default the one on
 * this machine. Its user must be a superuser, since tests end other sessions and empty guarded tables.
 */
export const SERVER_URL =
  process.env['TEST_DATABASE_URL'] ?? 'postgres://postgres@127.0.0.1:5432/postgres';

const CONNECT_MS = 3_000;

/** Runs one statement on the server, outside any test's database unless one is named. */
export async function onServer(sql: string, database?: string): Promise<pg.QueryResult> {
  const client = new pg.Client({
    connectionString: database === undefined ? SERVER_URL : urlOf(database),
    connectionTimeoutMillis: CONNECT_MS,
  });
  await client.connect();
  try {
    return await client.query(sql);
  } finally {
    await client.end();
  }
}

export function urlOf(database: string): string {
  const url = new URL(SERVER_URL);
  url.pathname = `/${database}`;
  return url.href;
}

/** Why the server cannot be used, null when it can. */
export async function whyAbsent(): Promise<string | null> {
  try {
    await onServer('select 1');
    return null;
  } catch (error) {
    return error instanceof Error ? error.message || error.constructor.name : String(error);
  }
}

export interface ServerDatabase {
  readonly url: string;
  /** Gives it to the next test, or drops it when the test has spoilt it. */
  release(): Promise<void>;
}

/** One test run is one parent process; its databases carry its id, and a worker's carry the worker's. */
const prefixOf = (run: number) => `drumline_test_${run}_`;

interface Slot {
  isTaken: boolean;
  isMade: boolean;
  isSpoilt: boolean;
}

const slots: Slot[] = [];

/**
 * An empty database. Making one takes a quarter of a second and dropping one as long, so a worker keeps those it
 * made and hands them on, emptied, to the next test and the next file.
 */
export async function takeServerDatabase(): Promise<ServerDatabase> {
  let index = slots.findIndex((slot) => !slot.isTaken);
  if (index === -1) index = slots.push({ isTaken: false, isMade: false, isSpoilt: false }) - 1;
  const slot = slots[index] as Slot;
  slot.isTaken = true;
  const name = `${prefixOf(process.ppid)}${process.env['VITEST_POOL_ID'] ?? '0'}_${index}`;
  if (!slot.isMade) await makeIfMissing(name);
  slot.isMade = true;
  await onServer(EMPTY, name);
  return {
    url: urlOf(name),
    release: async () => {
      if (slot.isSpoilt) {
        await onServer(`drop database if exists ${name} with (force)`);
        slot.isMade = false;
        slot.isSpoilt = false;
      }
      slot.isTaken = false;
    },
  };
}

/** What takes guards or indexes away says so: the databases of this test are handed on to nobody. */
export function spoilTakenDatabases(): void {
  for (const slot of slots) if (slot.isTaken) slot.isSpoilt = true;
}

/** A database that was never migrated, for tests that leave it unfit for the next; drop it by its name. */
export async function makeBlankDatabase(): Promise<{
  readonly name: string;
  readonly url: string;
}> {
  const name = `${prefixOf(process.ppid)}blank_${randomBytes(6).toString('hex')}`;
  await onServer(`create database ${name}`);
  return { name, url: urlOf(name) };
}

async function makeIfMissing(name: string): Promise<void> {
  const { rowCount } = await onServer(`select 1 from pg_database where datname = '${name}'`);
  if (rowCount === 0) await onServer(`create database ${name}`);
}

/**
 * Rows that are guarded against deletion go too: the guards do not fire in a replica's session. A table without a page was
 * never written, and to delete nothing from it would cost more than the test: the session would first read all about it.
 */
const EMPTY = `do $$
declare t text;
begin
  set local session_replication_role = replica;
  set local synchronous_commit = off;
  for t in select relname from pg_class
    where relnamespace = 'public'::regnamespace and relkind = 'r' and relname not like 'kysely%'
      and pg_relation_size(oid) > 0
  loop execute format('delete from %I', t); end loop;
end $$`;

/** Drops every database of a run. */
export async function dropServerDatabases(run: number): Promise<void> {
  const { rows } = await onServer(
    `select datname from pg_database where datname like '${prefixOf(run).replaceAll('_', '\\_')}%'`,
  );
  for (const { datname } of rows as { datname: string }[]) {
    await onServer(`drop database if exists ${datname} with (force)`);
  }
}

/** The server, or a database of it, by a way of its own, which can go silent. */
export async function throughProxy(
  url = SERVER_URL,
): Promise<{ readonly url: string; readonly proxy: TcpProxy }> {
  const server = new URL(url);
  const proxy = await TcpProxy.open({ host: server.hostname, port: Number(server.port || '5432') });
  server.hostname = '127.0.0.1';
  server.port = String(proxy.port);
  return { url: server.href, proxy };
}
