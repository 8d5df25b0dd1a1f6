import { copyFileSync, existsSync, mkdirSync } from 'node:fs';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { Kysely } from 'kysely';
import { afterEach, describe, expect, it } from 'vitest';
import {
  KeptStatements,
  openSqliteFile,
  TransactionalSqliteDialect,
  unitsOn,
} from '../../src/storage/dialect-sqlite.js';
import { FlushThread } from '../../src/storage/flush-thread.js';
import { GroupCommit } from '../../src/storage/group-commit.js';
import { prepared } from '../../src/storage/prepared.js';
import type { Tables } from '../../src/storage/tables.js';
import { type FileSync, openWalFile, WalFlush } from '../../src/storage/wal-flush.js';
import { temporaryDirectory } from '../support/temp-database.js';

const closings: (() => Promise<void>)[] = [];
afterEach(async () => {
  for (const close of closings.splice(0)) await close();
});

const namesIn = prepared((db) => db.selectFrom('site_evidence').select('site').orderBy('site'));

describe('what SQLite has committed', () => {
  it('is answered for and shown to readers only when it is on the disk', async () => {
    const disk = slowDisk();
    const { commits, db, add } = open(disk);
    const events: string[] = [];
    const note = (name: string, work: Promise<unknown>) => work.then(() => events.push(name));
    const first = note('first', add('first'));
    await until(() => disk.asked === 1);
    // Worked while the first is on its way to the disk, and not on the disk with it.
    const second = note('second', add('second'));
    const unit = note(
      'unit that reads',
      commits.run((trx) => namesIn(trx, {})),
    );
    await until(() => commitsIn(disk.path) === 2);
    const direct = note('compiled query', namesIn(db, {}));
    const query = note('query', db.selectFrom('site_evidence').selectAll().execute());
    await turns();
    expect(events).toEqual([]);
    disk.finish();
    await first;
    await until(() => disk.asked === 2);
    expect(events).toEqual(['first']);
    disk.finish();
    await Promise.all([second, unit, direct, query]);
    expect(disk.asked).toBe(2);
  });

  it('needs no flush of its own when nothing was written since', async () => {
    const disk = slowDisk();
    const { db, add } = open(disk);
    const first = add('first');
    await until(() => disk.asked === 1);
    disk.finish();
    await first;
    expect((await namesIn(db, {})).rows).toEqual([{ site: 'first' }]);
    await db.selectFrom('site_evidence').selectAll().execute();
    expect(disk.asked).toBe(1);
  });

  it('is on the disk also when it was written outside of a transaction', async () => {
    const disk = slowDisk();
    const { db } = open(disk);
    const writing = db.insertInto('site_evidence').values({ site: 'x', version: 1 }).execute();
    await until(() => disk.asked === 1);
    disk.finish();
    await writing;
  });

  it('is not believed after a flush that failed, and neither is what comes behind it', async () => {
    const disk = slowDisk();
    const { db, add } = open(disk);
    const first = add('first');
    await until(() => disk.asked === 1);
    const second = add('second');
    await until(() => commitsIn(disk.path) === 2);
    disk.finish(new Error('EIO (simulated)'));
    await expect(first).rejects.toMatchObject({ code: 'SQLITE_IOERR_FSYNC' });
    await expect(second).rejects.toMatchObject({ code: 'SQLITE_IOERR_FSYNC' });
    // The disk may say that all is well from now on: what it refused it has forgotten.
    await expect(add('third')).rejects.toMatchObject({ code: 'SQLITE_IOERR_FSYNC' });
    await expect(namesIn(db, {})).rejects.toMatchObject({ code: 'SQLITE_IOERR_FSYNC' });
    await expect(db.selectFrom('site_evidence').selectAll().execute()).rejects.toMatchObject({
      code: 'SQLITE_IOERR_FSYNC',
    });
    expect(disk.asked).toBe(1);
  });

  it('is flushed before anybody is answered while the database closes', async () => {
    const events: string[] = [];
    let end: () => void = () => undefined;
    const flush = new WalFlush({
      atOnce: () => void events.push('flushed'),
      beside: () =>
        new Promise((resolve) => {
          end = resolve;
        }),
      close: async () => void events.push('closed'),
    });
    flush.noteCommit();
    const first = flush.whenFlushed();
    // Committed when that flush had begun: it is not in it.
    flush.noteCommit();
    const second = flush.whenFlushed()?.then(() => events.push('answered'));
    const closing = flush.close();
    end();
    await Promise.all([first, second, closing]);
    expect(events).toEqual(['flushed', 'closed', 'answered']);
  });

  it('is all there after a power cut at any moment, once it was answered for', async () => {
    const cut = temporaryDirectory();
    // What is sure to be on the disk is what was in the files when the last flush that ended began.
    let begun = -1;
    let sure = -1;
    const disk = slowDisk(() => {
      begun += 1;
      copyAsItIs(disk.path, join(cut, String(begun)));
    });
    const { add } = open(disk, 8);
    const answered = new Map<string, number>();
    let left = 60;
    const writer = async (name: string): Promise<void> => {
      while (left > 0) {
        left -= 1;
        const site = `${name}-${left}`;
        await add(site);
        answered.set(site, sure);
      }
    };
    const writers = ['a', 'b', 'c', 'd', 'e'].map(writer);
    let isOver = false;
    void Promise.all(writers).finally(() => {
      isOver = true;
    });
    while (!isOver) {
      await turns();
      if (disk.isFlushing) {
        sure = begun;
        disk.finish();
      }
    }
    expect(answered.size).toBe(60);
    // Some went through a log that was begun anew.
    expect(new Set(answered.values()).size).toBeGreaterThan(5);
    for (const [site, flush] of answered) expect(sitesIn(join(cut, String(flush)))).toContain(site);
  });
});

describe('the thread that flushes', () => {
  it('takes over when there is more to do, and its end holds nobody up', async () => {
    const path = join(temporaryDirectory(), 'log');
    new Database(path).exec('create table t (x)').close();
    const file = openWalFile(path);
    for (let i = 0; i < 64; i += 1) file.atOnce();
    await until(() => {
      const beside = file.beside();
      void beside?.catch(() => undefined);
      return beside !== null;
    });
    await file.close();
  });

  it('says what the disk refused', async () => {
    const thread = new FlushThread(1_000_000);
    await until(() => thread.isUp);
    await expect(thread.flush()).rejects.toThrow(/EBADF/);
    await thread.stop();
    expect(thread.isUp).toBe(false);
  });
});

/** A disk that takes as long as the test says. */
function slowDisk(onFlush: () => void = () => undefined) {
  let ending: { resolve: () => void; reject: (error: Error) => void } | null = null;
  const path = join(temporaryDirectory(), 'drumline.db');
  const disk = {
    path,
    asked: 0,
    get isFlushing() {
      return ending !== null;
    },
    finish: (error?: Error) => {
      const { resolve, reject } = ending ?? { resolve: () => undefined, reject: () => undefined };
      ending = null;
      if (error === undefined) resolve();
      else reject(error);
    },
    sync: {
      atOnce: () => undefined,
      beside: () => {
        disk.asked += 1;
        onFlush();
        return new Promise<void>((resolve, reject) => {
          ending = { resolve, reject };
        });
      },
      close: () => Promise.resolve(),
    } satisfies FileSync,
  };
  return disk;
}

/** @param checkpointPages of the log after which it is copied into the database and begun anew */
function open({ path, sync }: { path: string; sync: FileSync }, checkpointPages?: number) {
  const file = openSqliteFile(path);
  file.exec('create table if not exists site_evidence (site text primary key, version integer)');
  if (checkpointPages !== undefined) file.pragma(`wal_autocheckpoint = ${checkpointPages}`);
  const statements = new KeptStatements(file, new WalFlush(sync));
  const dialect = new TransactionalSqliteDialect({ database: statements });
  const db = new Kysely<Tables>({ dialect });
  closings.push(async () => {
    file.close();
  });
  const commits = new GroupCommit(db, unitsOn(db, dialect, statements));
  const add = (site: string) =>
    commits.run((trx) => trx.insertInto('site_evidence').values({ site, version: 1 }).execute());
  return { db, commits, add };
}

/** Rows that another connection sees, whatever is on the disk. */
function commitsIn(path: string): number {
  const other = new Database(path, { readonly: true });
  const { n } = other.prepare('select count(*) as n from site_evidence').get() as { n: number };
  other.close();
  return n;
}

function sitesIn(folder: string): string[] {
  const file = new Database(join(folder, 'drumline.db'));
  const sites = file.prepare('select site from site_evidence').pluck().all() as string[];
  file.close();
  return sites;
}

function copyAsItIs(path: string, folder: string): void {
  mkdirSync(folder);
  copyFileSync(path, join(folder, 'drumline.db'));
  if (existsSync(`${path}-wal`)) copyFileSync(`${path}-wal`, join(folder, 'drumline.db-wal'));
}

async function turns(): Promise<void> {
  for (let i = 0; i < 20; i += 1) await new Promise((resolve) => setImmediate(resolve));
}

async function until(condition: () => boolean): Promise<void> {
  const end = performance.now() + 10_000;
  while (!condition()) {
    if (performance.now() > end) throw new Error('waited in vain');
    await new Promise((resolve) => setImmediate(resolve));
  }
}
