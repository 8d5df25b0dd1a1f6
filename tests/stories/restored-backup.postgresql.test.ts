import {
  chmodSync,
  copyFileSync,
  existsSync,
  readdirSync,
  readFileSync,
  statSync,
  writeFileSync,
} from 'node:fs';
import { dirname, join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { restoreBackup } from '../../src/cli/backup.files.js';
import type { BackupManifest } from '../../src/cli/backup-manifest.js';
import { restoreServerBackup, writeServerBackup } from '../../src/cli/backup-server.files.js';
import { SWEEP_EVERY_MS } from '../../src/queue/local-bells.js';
import { openDatabase } from '../../src/storage/database.js';
import { openPool } from '../../src/storage/postgres-pool.js';
import { openAnother } from '../support/another-process.js';
import { backUp, putBack } from '../support/backups.js';
import { Dock, receiptOf } from '../support/dock.js';
import { runDrumline } from '../support/drumline-process.js';
import { GatewayWorld } from '../support/gateway-world.js';
import { makeBlankDatabase, onServer, urlOf } from '../support/postgres-server.js';
import { describeWithPostgresTools } from '../support/postgres-tools.js';
import { blankPlace, temporaryDirectory } from '../support/temp-database.js';

/** Rule 28 on a server: what `pg_dump` and `pg_restore` make, and copies that nothing made. */

/** These tests start several processes one after another. */
const LONG_MS = 60_000;
const NO_REDIS = 'redis://127.0.0.1:1';
/** What a server that is not asked for one ignores; it must be seen nowhere. */
const PASSWORD = 'plain-2-see';

let world: GatewayWorld;
let dock: Dock;
const ends: (() => Promise<unknown>)[] = [];

beforeEach(async () => {
  world = await GatewayWorld.open();
  dock = new Dock(world);
});

afterEach(async () => {
  await world.close();
  for (const end of ends.splice(0)) await end();
});

const urlOfWorld = () => urlOf(world.databaseName());

/** As where a backup was put back behind the address, and another process began its life. */
const beginAnotherLife = () =>
  world.write((db) =>
    db
      .updateTable('instance')
      .set((eb) => ({ epoch: eb('epoch', '+', 1), recovering: 'restored' }))
      .execute(),
  );

async function instance(): Promise<Record<string, unknown>> {
  return (await world.http({ path: '/api/v1/instance' })).json;
}

async function blankUrl(): Promise<string> {
  return (await blankPlace()).databaseUrl ?? '';
}

const nameOf = (url: string) => new URL(url).pathname.slice(1);

async function tablesOf(url: string): Promise<readonly string[]> {
  const { rows } = await onServer(
    "select tablename from pg_tables where schemaname = 'public' order by 1",
    nameOf(url),
  );
  return (rows as { tablename: string }[]).map(({ tablename }) => tablename);
}

/** A program of that name that notes how it was started and then is the real one, or does as it is told. */
function toolThatNotes(
  name: string,
  then: string,
): { readonly path: string; readonly notes: string } {
  const directory = temporaryDirectory();
  const [path, notes] = [join(directory, name), join(directory, 'notes')];
  writeFileSync(
    path,
    `#!/bin/sh\n[ "$1" = --version ] || { echo "$@"; env; } >> ${notes}\n${then}\n`,
  );
  chmodSync(path, 0o755);
  return { path, notes };
}

describeWithPostgresTools('a backup of a database on a server', () => {
  it(
    'is of one moment, with its manifest, and in the trail',
    async () => {
      await dock.conform(receiptOf(1));
      const out = join(temporaryDirectory(), 'b.dump');
      const run = runDrumline(
        [
          'backup',
          '--out',
          out,
          '--json',
          '--data',
          world.dataDirectory,
          '--site-folder',
          world.siteFolder,
        ],
        { env: { DATABASE_URL: urlOfWorld(), REDIS_URL: NO_REDIS } },
      );
      expect([await run.ended, run.said.err]).toEqual([0, '']);
      const manifest = JSON.parse(readFileSync(`${out}.manifest.json`, 'utf8')) as BackupManifest;
      expect(JSON.parse(run.said.out)).toEqual(manifest);
      expect(manifest).toMatchObject({
        format: 'drumline-backup',
        site: world.site.site,
        instance: { epoch: 1 },
        postgresql: {
          server: expect.stringMatching(/^\d+/),
          pgDump: expect.stringMatching(/^\d+/),
        },
      });
      expect(statSync(out)).toMatchObject({ size: manifest.bytes });
      expect(statSync(out).mode & 0o077).toBe(0);
      const noted = await world.db
        .selectFrom('audit_entry')
        .select('after')
        .where('action', '=', 'backup.made')
        .execute();
      expect(noted.map(({ after }) => JSON.parse(String(after)) as unknown)).toEqual([
        { sha256: manifest.sha256, bytes: manifest.bytes },
      ]);
      // The manifest counts the entries of the very view that was copied: the note of it came later.
      const { databaseUrl } = await putBack(out);
      const { rows } = await onServer(
        "select count(*)::int as n, max(sequence)::int as last from audit_entry where action <> 'instance.restored'",
        nameOf(databaseUrl ?? ''),
      );
      expect(rows).toEqual([{ n: manifest.trail.entries, last: manifest.trail.lastSequence }]);
    },
    LONG_MS,
  );

  it(
    'is of the moment that its manifest speaks of, whatever is written while it is made',
    async () => {
      const { path } = toolThatNotes(
        'pg_dump',
        '[ "$1" = --version ] || psql "$2" -qc "update instance set tick = tick + 1000000"; exec pg_dump "$@"',
      );
      const out = join(temporaryDirectory(), 'b.dump');
      await writeServerBackup(urlOfWorld(), out, { ...process.env, PG_DUMP: path });
      const ticks = async (database: string) =>
        Number((await onServer('select tick from instance', database)).rows[0]?.tick);
      expect(await ticks(world.databaseName())).toBeGreaterThan(1_000_000);
      const { databaseUrl } = await putBack(out);
      expect(await ticks(nameOf(databaseUrl ?? ''))).toBeLessThan(1_000_000);
    },
    LONG_MS,
  );

  it(
    'shows the password to nobody but the program that needs it',
    async () => {
      const { path, notes } = toolThatNotes('pg_dump', 'exec pg_dump "$@"');
      const url = new URL(urlOfWorld());
      url.password = PASSWORD;
      const out = join(temporaryDirectory(), 'b.dump');
      await writeServerBackup(url.href, out, {
        ...process.env,
        PG_DUMP: path,
        DATABASE_URL: url.href,
        NORTHQUAY_ERP_TOKEN: PASSWORD,
      });
      const lines = readFileSync(notes, 'utf8').split('\n');
      expect(lines[0]).toContain('--format=custom');
      expect(lines.filter((line) => line.includes(PASSWORD))).toEqual([`PGPASSWORD=${PASSWORD}`]);
      expect(readFileSync(`${out}.manifest.json`, 'utf8')).not.toContain(PASSWORD);
    },
    LONG_MS,
  );

  it(
    'is refused without the program, by one older than the server, and over anything that is there',
    async () => {
      const folder = temporaryDirectory();
      const out = join(folder, 'b.dump');
      const by = (PG_DUMP: string) =>
        writeServerBackup(urlOfWorld(), out, { ...process.env, PG_DUMP });
      await expect(by(join(folder, 'nothing'))).rejects.toMatchObject({
        code: 'backup-tool-missing',
      });
      const old = toolThatNotes('pg_dump', 'echo "pg_dump (PostgreSQL) 9.6.24"').path;
      await expect(by(old)).rejects.toThrow(
        /is version 9.6.24, the server is .*Install the client/,
      );
      const other = toolThatNotes('pg_dump', 'echo "psql (PostgreSQL) 15.1"').path;
      await expect(by(other)).rejects.toThrow('expected pg_dump');
      await expect(writeServerBackup(urlOf('no_such'), out, process.env)).rejects.toThrow(
        'no_such',
      );
      const blank = await blankUrl();
      await expect(writeServerBackup(blank, out, process.env)).rejects.toThrow(
        'no database of a gateway',
      );
      expect(readdirSync(folder)).toEqual([]);
      writeFileSync(`${out}.manifest.json`, 'of another');
      await expect(by('pg_dump')).rejects.toThrow('is there already');
      expect(readdirSync(folder)).toEqual(['b.dump.manifest.json']);
    },
    LONG_MS,
  );

  it(
    'leaves nothing when the program fails half-way',
    async () => {
      const folder = temporaryDirectory();
      const broken = toolThatNotes(
        'pg_dump',
        '[ "$1" = --version ] && exec pg_dump --version\nfor a in "$@"; do case $a in --file=*) echo half > "$(echo "$a" | cut -c8-)";; esac; done\necho "disk full" >&2; exit 1',
      ).path;
      await expect(
        writeServerBackup(urlOfWorld(), join(folder, 'b.dump'), {
          ...process.env,
          PG_DUMP: broken,
        }),
      ).rejects.toThrow(/ended with 1: disk full/);
      expect(readdirSync(folder)).toEqual([]);
    },
    LONG_MS,
  );
});

describeWithPostgresTools('a restore into a database on a server', () => {
  it(
    'is refused into what holds anything or is worked on, from a changed file, and with --data',
    async () => {
      await dock.conform(receiptOf(1));
      const folder = temporaryDirectory();
      const backup = join(folder, 'b.dump');
      await backUp(world.databasePlace, backup);
      await expect(restoreServerBackup(backup, urlOfWorld(), process.env)).rejects.toThrow(
        new RegExp(`the database ${world.databaseName()} with public\\.`),
      );
      const url = await blankUrl();
      const bytes = readFileSync(backup);
      bytes[bytes.length - 1] = (bytes.at(-1) ?? 0) ^ 1;
      const changed = join(folder, 'c.dump');
      writeFileSync(changed, bytes);
      copyFileSync(`${backup}.manifest.json`, `${changed}.manifest.json`);
      await expect(restoreServerBackup(changed, url, process.env)).rejects.toThrow(
        'its manifest says',
      );
      const run = runDrumline(['restore', backup, '--data', join(folder, 'data')], {
        env: { DATABASE_URL: url, REDIS_URL: NO_REDIS },
      });
      expect(await run.ended).toBe(2);
      expect(run.said.err).toContain('of PostgreSQL');
      expect([existsSync(join(folder, 'data')), await tablesOf(url)]).toEqual([false, []]);
      const atWork = openPool({
        url,
        connectionsMax: 1,
        applicationName: 'drumline',
        isBounded: true,
      });
      const connection = await atWork.connect();
      await connection.query('select 1', []);
      await expect(restoreServerBackup(backup, url, process.env)).rejects.toThrow(
        'are connected to',
      );
      connection.release();
      await atWork.end();
      await expect(restoreBackup(backup, join(folder, 'data'))).rejects.toThrow('of a PostgreSQL');
      expect(await tablesOf(url)).toEqual([]);
      await onServer('create table somebodys (n int)', nameOf(url));
      await expect(restoreServerBackup(backup, url, process.env)).rejects.toThrow(
        'public.somebodys',
      );
      expect(await tablesOf(url)).toEqual(['somebodys']);
    },
    LONG_MS,
  );

  it(
    'is refused by a program older than the one that made the backup, and leaves nothing when it fails',
    async () => {
      const folder = temporaryDirectory();
      const backup = join(folder, 'b.dump');
      await backUp(world.databasePlace, backup);
      const url = await blankUrl();
      const old = toolThatNotes('pg_restore', 'echo "pg_restore (PostgreSQL) 9.6.24"').path;
      await expect(
        restoreServerBackup(backup, url, { ...process.env, PG_RESTORE: old }),
      ).rejects.toThrow(/9.6.24, the backup was made by pg_dump/);
      // A function of that name stands in the way of one that the backup holds.
      const { rows } = await onServer(
        "select proname from pg_proc where pronamespace = 'public'::regnamespace and pronargs = 0 order by 1 limit 1",
        world.databaseName(),
      );
      const name = (rows as { proname: string }[])[0]?.proname ?? '';
      await onServer(
        `create function ${name}() returns trigger language plpgsql as 'begin return new; end'`,
        nameOf(url),
      );
      await expect(restoreServerBackup(backup, url, process.env)).rejects.toThrow(
        /pg_restore ended with 1: .*already exists/s,
      );
      expect(await tablesOf(url)).toEqual(['drumline_restoring']);
      await onServer(`drop function ${name}()`, nameOf(url));
      await restoreServerBackup(backup, url, process.env);
      expect((await tablesOf(url)).includes('drumline_restoring')).toBe(false);
    },
    LONG_MS,
  );

  it(
    'lets no process start on it before it was marked',
    async () => {
      const backup = join(temporaryDirectory(), 'b.dump');
      await backUp(world.databasePlace, backup);
      const place = await blankPlace();
      const { path, notes } = toolThatNotes(
        'pg_restore',
        'pg_restore "$@" || exit 1; [ "$1" = --version ] || { touch "$(dirname "$0")/filled"; sleep 2; }',
      );
      const env = { ...process.env, PG_RESTORE: path };
      const restoring = restoreServerBackup(backup, place.databaseUrl ?? '', env);
      await world.until('it is filled', () => existsSync(join(dirname(notes), 'filled')));
      const database = await openDatabase(place);
      const row = await database.db
        .selectFrom('instance')
        .select(['place', 'recovering'])
        .executeTakeFirstOrThrow();
      await database.close();
      await restoring;
      expect(row).toEqual({ place: null, recovering: 'restored' });
    },
    LONG_MS,
  );

  it(
    'by the command starts paused under a new epoch, beside the original that goes on',
    async () => {
      await dock.conform(receiptOf(1));
      const backup = join(temporaryDirectory(), 'b.dump');
      await backUp(world.databasePlace, backup);
      const original = world.databasePlace;
      const { id } = await world.db.selectFrom('instance').select('id').executeTakeFirstOrThrow();
      await world.stop();
      const { name, url } = await makeBlankDatabase();
      ends.push(() => onServer(`drop database ${name} with (force)`));
      const run = runDrumline(['restore', backup, '--json'], {
        env: { DATABASE_URL: url, REDIS_URL: NO_REDIS },
      });
      expect([await run.ended, run.said.err]).toEqual([0, '']);
      expect(JSON.parse(run.said.out)).toMatchObject({
        database: name,
        instance: { id, epoch: 1 },
      });
      await world.restartAt({ dataDirectory: temporaryDirectory(), databaseUrl: url });
      expect(await instance()).toMatchObject({ recovering: 'restored', epoch: 2 });
      // Every later process of that life finds the same, and none begins another.
      await world.restart();
      expect(await instance()).toMatchObject({ recovering: 'restored', epoch: 2 });
      await world.stop();
      await world.restartAt(original);
      expect(await instance()).toMatchObject({ recovering: null, epoch: 1 });
    },
    LONG_MS,
  );

  it(
    'that is killed before it marked the database leaves nothing to start on',
    async () => {
      const backup = join(temporaryDirectory(), 'b.dump');
      await backUp(world.databasePlace, backup);
      const place = await blankPlace();
      const url = place.databaseUrl ?? '';
      // As it is when the command is killed between the end of pg_restore and the mark.
      const { path } = toolThatNotes(
        'pg_restore',
        'pg_restore "$@" || exit 1; [ "$1" = --version ] || exit 9',
      );
      const env = { ...process.env, PG_RESTORE: path };
      await expect(restoreServerBackup(backup, url, env)).rejects.toThrow('ended with 9');
      expect((await tablesOf(url)).length).toBeGreaterThan(20);
      await expect(openDatabase(place)).rejects.toMatchObject({ code: 'restore-unfinished' });
      await expect(writeServerBackup(url, `${backup}.2`, process.env)).rejects.toMatchObject({
        code: 'backup-unusable',
      });
      await expect(restoreServerBackup(backup, url, process.env)).rejects.toMatchObject({
        code: 'restore-not-empty',
      });
    },
    LONG_MS,
  );

  it(
    'asks for no more than the database: its owner restores and backs up, whoever owned it before',
    async () => {
      const backup = join(temporaryDirectory(), 'b.dump');
      await backUp(world.databasePlace, backup);
      const { name, url } = await makeBlankDatabase();
      const owner = `${name}_owner`;
      await onServer(`create role ${owner} login`);
      ends.push(async () => {
        await onServer(`drop database ${name} with (force)`);
        await onServer(`drop role ${owner}`);
      });
      await onServer(`alter database ${name} owner to ${owner}`);
      const own = new URL(url);
      own.username = owner;
      await restoreServerBackup(backup, own.href, process.env);
      expect((await tablesOf(url)).includes('drumline_restoring')).toBe(false);
      const again = join(temporaryDirectory(), 'again.dump');
      const manifest = await writeServerBackup(own.href, again, process.env);
      expect(manifest.instance).toMatchObject({ epoch: 1 });
      const database = await openDatabase({
        dataDirectory: temporaryDirectory(),
        databaseUrl: own.href,
      });
      await database.close();
    },
    LONG_MS,
  );
});

describe('rule 28: a copied database on a server', () => {
  it(
    'is recognised under another name, beside the original that goes on',
    async () => {
      await dock.conform(receiptOf(1));
      const original = world.databasePlace;
      const name = `${world.databaseName()}_copy`;
      await world.stop();
      await onServer(`create database ${name} template ${nameOf(original.databaseUrl ?? '')}`);
      ends.push(() => onServer(`drop database if exists ${name} with (force)`));
      await world.restartAt({ dataDirectory: temporaryDirectory(), databaseUrl: urlOf(name) });
      expect(await instance()).toMatchObject({ recovering: 'copied', epoch: 2 });
      await world.stop();
      await world.restartAt(original);
      expect(await instance()).toMatchObject({ recovering: null, epoch: 1 });
    },
    LONG_MS,
  );

  it(
    'is noticed by a process that began with the life before, which then answers no statement',
    async () => {
      const receipt = receiptOf(1);
      await dock.conform(receipt);
      const ask = () => world.http({ path: `/api/v1/receipts/${receipt.id}/statement` });
      expect((await ask()).status).toBe(200);
      await beginAnotherLife();
      await world.until('it is not answered', async () => (await ask()).status === 503);
      // Nor is it worked out: that is for those who began with this life.
      await world.write((db) => db.updateTable('receipt').set({ evaluation_due: 1 }).execute());
      await new Promise((resolve) => setTimeout(resolve, 2 * SWEEP_EVERY_MS));
      const due = await world.db.selectFrom('receipt').select('evaluation_due').execute();
      expect(due).toEqual([{ evaluation_due: 1 }]);
    },
    LONG_MS,
  );

  it(
    'is noticed by a process that only answers, too',
    async () => {
      const receipt = receiptOf(1);
      await dock.conform(receipt);
      const answering = await openAnother(world, { work: false });
      ends.push(() => answering.close());
      const path = `/api/v1/receipts/${receipt.id}/statement`;
      const ask = () => answering.inject({ method: 'GET', path });
      expect((await ask()).status).toBe(200);
      await beginAnotherLife();
      await world.until('it is not answered', async () => (await ask()).status === 503);
      await world.until('it is not ready', async () => {
        const { status } = await answering.inject({ method: 'GET', path: '/health/ready' });
        return status === 503;
      });
    },
    LONG_MS,
  );
});
