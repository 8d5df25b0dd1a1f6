import { randomBytes } from 'node:crypto';
import { setTimeout as wait } from 'node:timers/promises';
import { afterEach, describe, expect, it } from 'vitest';
import { readyLine, runDrumline } from '../support/drumline-process.js';
import { onServer, urlOf } from '../support/postgres-server.js';
import { describeWithRedis, OwnRedis } from '../support/redis.js';
import { blankPlace, temporaryDirectory } from '../support/temp-database.js';
import { until } from '../support/until.js';

/** Starts of `drumline work` that must stop or be named, as processes on a real server. */

const NO_REDIS = 'redis://127.0.0.1:1';
const ends: (() => Promise<unknown>)[] = [];

afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

function work(databaseUrl: string, redisUrl = NO_REDIS) {
  return runDrumline(['work', '--json'], {
    env: { DATABASE_URL: databaseUrl, REDIS_URL: redisUrl },
  });
}

async function blankUrl(): Promise<string> {
  return (await blankPlace()).databaseUrl ?? '';
}

const nameOf = (url: string) => new URL(url).pathname.slice(1);

async function refused(databaseUrl: string, redisUrl?: string): Promise<string> {
  const { ended, said } = work(databaseUrl, redisUrl);
  expect(await ended, said.err).toBe(2);
  expect(said.out).toBe('');
  return said.err;
}

describe('a worker on a database', () => {
  it('of another encoding stops, with what was found and what is needed', async () => {
    const name = `drumline_ascii_${randomBytes(6).toString('hex')}`;
    await onServer(
      `create database ${name} encoding 'SQL_ASCII' lc_collate 'C' lc_ctype 'C' template template0`,
    );
    ends.push(() => onServer(`drop database ${name} with (force)`));
    const said = await refused(urlOf(name));
    expect(said).toContain('database-unsuitable');
    expect(said).toContain('encoding SQL_ASCII, expected UTF8');
  });

  it('that does not exist stops, with its name', async () => {
    const said = await refused(urlOf('drumline_no_such'));
    expect(said).toContain('database-unreachable');
    expect(said).toContain('drumline_no_such');
  });

  it('in which it may make no tables stops, with what the server says', async () => {
    const url = await blankUrl();
    const role = `drumline_role_${randomBytes(6).toString('hex')}`;
    await onServer(`create role ${role} login`);
    ends.push(() => onServer(`drop role ${role}`));
    const theirs = new URL(url);
    theirs.username = role;
    const said = await refused(theirs.href);
    expect(said).toContain('database-migration-failed');
    expect(said).toContain('permission denied for schema public');
  });

  it('that a later version migrated stops, with the migration it does not know', async () => {
    const url = await blankUrl();
    await onServer(
      `create table kysely_migration (name text primary key, timestamp text not null);
       insert into kysely_migration values ('9999-from-the-future', '2099-01-01')`,
      nameOf(url),
    );
    const said = await refused(url);
    expect(said).toContain('database-newer');
    expect(said).toContain('9999-from-the-future');
  });
});

describeWithRedis('a start that fails when it has nearly everything open', () => {
  it.each([
    ['work', ['work', '--json']],
    ['serve', ['serve', '--no-work', '--port', '0', '--json']],
  ] as const)(
    'ends, so that a service manager starts %s anew',
    async (_name, args) => {
      const url = await blankUrl();
      const redis = await OwnRedis.start();
      ends.push(() => redis.end());
      const env = { DATABASE_URL: url, REDIS_URL: redis.url, DRUMLINE_DATA: temporaryDirectory() };
      const start = () => runDrumline(args, { env });
      const first = start();
      await readyLine(first);
      first.child.kill('SIGTERM');
      await first.ended;
      // As a server that is started anew between two queries of a start: this one comes behind the connections to Redis.
      await onServer('alter table destination_watch rename to destination_watch_away', nameOf(url));
      const { ended, said } = start();
      const code = await Promise.race([ended, wait(40_000, 'it goes on')]);
      expect(code, said.err).toBe(1);
      expect(said.err).toContain('relation "destination_watch" does not exist');
    },
    90_000,
  );
});

describe('a worker on a database whose clock is wrong', () => {
  /** The server's own clock cannot be set here, so this database answers for it, as far off as a row says. */
  async function clockOff(url: string, by: string): Promise<void> {
    const name = nameOf(url);
    await onServer(
      `create table if not exists off (by interval);
       delete from off;
       insert into off values ('${by}');
       create or replace function public.clock_timestamp() returns timestamptz language sql volatile as
         'select pg_catalog.clock_timestamp() + by from public.off';
       alter database ${name} set search_path = public, pg_catalog`,
      name,
    );
  }

  it('by an hour works and names it at the start, and again when the clock is set while it runs', async () => {
    const url = await blankUrl();
    await clockOff(url, '1 hour');
    const worker = work(url);
    await readyLine(worker);
    // Measured over a round trip, so some milliseconds to either side of the hour.
    expect(worker.said.err).toMatch(
      /"level":50,.*"event":"database-clock-off","found":"the database is 3(?:59|60)\d{4} ms ahead of this computer"/,
    );
    expect(worker.said.err).not.toContain('database-clock-stepped');
    await clockOff(url, '0');
    await until('the step is named', () => worker.said.err.includes('database-clock-stepped'));
    expect(worker.said.err).toMatch(
      /"event":"database-clock-stepped","found":"-3(?:59|60)\d{4} ms"/,
    );
    worker.child.kill('SIGTERM');
    expect(await worker.ended).toBe(0);
  });
});

describeWithRedis('a worker with Redis', () => {
  async function server(...settings: string[]): Promise<OwnRedis> {
    const redis = await OwnRedis.start(...settings);
    ends.push(() => redis.end());
    return redis;
  }

  it('that may evict keys stops, with the remedy', async () => {
    const redis = await server('--maxmemory-policy', 'allkeys-lru');
    const said = await refused(await blankUrl(), redis.url);
    expect(said).toContain('redis-evicts');
    expect(said).toContain('maxmemory-policy noeviction');
  });

  it('of another Drumline database of the same site stops, and the first goes on', async () => {
    const redis = await server();
    const first = work(await blankUrl(), redis.url);
    await readyLine(first);
    const said = await refused(await blankUrl(), redis.url);
    expect(said).toContain('redis-foreign-keys');
    expect(said).toContain('redis://host/1');
    expect(first.child.exitCode).toBeNull();
    expect(first.said.err).not.toContain('queue.unfit');
  });
});
