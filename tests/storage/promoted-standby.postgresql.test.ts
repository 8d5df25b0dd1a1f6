import { execFile } from 'node:child_process';
import { appendFileSync, chmodSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { promisify } from 'node:util';
import { sql } from 'kysely';
import pg from 'pg';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { postgresPlace } from '../../src/storage/database-place.js';
import { kyselyOn } from '../../src/storage/open-postgres.js';
import { openPool } from '../../src/storage/postgres-pool.js';
import { postgresPrograms } from '../faults/harness/postgres-cluster.js';
import { freePort } from '../support/free-port.js';

const run = promisify(execFile);
const programs = postgresPrograms();
const mustExist = process.env['CI'] === 'true';
/** Two servers are made and started. */
const MS_MAX = 120_000;
const OWNER = 'postgres';
/** Enough that the checkpoint behind a promotion takes its time over them. */
const DIRTY = `create table dirty as select g, repeat('x', 300) as x from generate_series(1, 60000) as g`;

let directory = '';
let primary = 0;
let standby = 0;
const started: string[] = [];

beforeAll(async () => {
  if (programs === null) return;
  directory = mkdtempSync(join(tmpdir(), 'drumline-standby-'));
  if (process.getuid?.() === 0) await run('chown', [OWNER, directory]);
  chmodSync(directory, 0o700);
  [primary, standby] = [await freePort(), await freePort()];
  await program('initdb', ['-D', folder('a'), '-U', OWNER, '--auth=trust', '-N']);
  appendFileSync(
    join(folder('a'), 'postgresql.conf'),
    `\nlisten_addresses = '127.0.0.1'\nunix_socket_directories = ''\ncheckpoint_timeout = 30min\n`,
  );
  // A server that is at rest may be copied as it is.
  await run('cp', ['-a', folder('a'), folder('b')]);
  writeFileSync(join(folder('b'), 'standby.signal'), '');
  const from = `host=127.0.0.1 port=${primary} user=${OWNER}`;
  appendFileSync(join(folder('b'), 'postgresql.conf'), `primary_conninfo = '${from}'\n`);
  await start('a', primary);
  await start('b', standby);
}, MS_MAX);

afterAll(async () => {
  for (const name of started)
    await program('pg_ctl', ['-D', folder(name), '-m', 'immediate', 'stop']);
  if (directory !== '') rmSync(directory, { recursive: true, force: true });
}, MS_MAX);

describe.skipIf(programs === null && !mustExist)('a standby that was promoted', () => {
  it(
    'is another place from its first transaction on, though its last checkpoint was before',
    async () => {
      const before = await placeAt(primary);
      await ask(primary, DIRTY);
      const [at] = await ask<{ lsn: string }>(primary, 'select pg_current_wal_lsn()::text as lsn');
      const caughtUp = `select pg_last_wal_replay_lsn() >= '${at?.lsn}'::pg_lsn as is`;
      for (;;) if ((await ask<{ is: boolean }>(standby, caughtUp))[0]?.is) break;
      await ask(standby, 'select pg_promote()');
      const [control] = await ask<{ timeline: number }>(
        standby,
        'select timeline_id as timeline from pg_control_checkpoint()',
      );
      // What makes this worth a test: by this the two would be one.
      expect(control?.timeline).toBe(1);
      expect(await placeAt(primary)).toBe(before);
      expect(await placeAt(standby)).not.toBe(before);
    },
    MS_MAX,
  );
});

function folder(name: string): string {
  return join(directory, name);
}

async function start(name: string, port: number): Promise<void> {
  const log = join(directory, `${name}.log`);
  const how = ['-D', folder(name), '-w', '-t', '60', '-l', log, '-o', `-p ${port}`, 'start'];
  await program('pg_ctl', how);
  started.unshift(name);
}

/** Servers refuse to run as root. */
async function program(name: string, args: readonly string[]): Promise<void> {
  const path = join(programs ?? '', name);
  const asOwner = process.getuid?.() === 0 ? ['runuser', '-u', OWNER, '--'] : [];
  const [first = path, ...rest] = [...asOwner, path, ...args];
  await run(first, rest, { cwd: directory });
}

function urlAt(port: number): string {
  return `postgres://${OWNER}@127.0.0.1:${port}/postgres`;
}

async function ask<Row extends pg.QueryResultRow>(port: number, text: string): Promise<Row[]> {
  const client = new pg.Client({ connectionString: urlAt(port) });
  await client.connect();
  try {
    return (await client.query<Row>(text)).rows;
  } finally {
    await client.end();
  }
}

async function placeAt(port: number): Promise<string> {
  const pool = openPool({
    url: urlAt(port),
    connectionsMax: 1,
    applicationName: 'drumline test',
    isBounded: true,
  });
  const db = kyselyOn(pool);
  try {
    return await postgresPlace((text) => sql.raw(text).execute(db));
  } finally {
    await db.destroy();
  }
}
